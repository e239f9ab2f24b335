"""Sound in a page: samples of 24 bits in base64, and what the page needs to play them."""

from __future__ import annotations

import base64
import io
import wave
from collections.abc import Mapping
from typing import Any

import numpy as np

from cleanchain.audio.source import Samples
from cleanchain.hearing_room import EQUAL, MATCHED, OWN, Heard, HearingRoom
from cleanchain.report.elements import Hearing
from cleanchain.units import format_time

_FULL = 1 << 23
#: Ways of setting the level, the first one from the start: of a take before and after, of noises
#: side by side, of takes of one moment.
CLEANING = {
    MATCHED: "before and after equally loud",
    OWN: "as they are in the take",
    EQUAL: "everything equally loud",
}
NOISES = {OWN: "as recorded, at one common gain", EQUAL: "equally loud"}
TOGETHER = {EQUAL: NOISES[EQUAL], OWN: NOISES[OWN]}


def hearing_of(room: HearingRoom, ways: Mapping[str, str]) -> Hearing:
    """Turn what can be heard into the page's element.

    Parameters
    ----------
    room : HearingRoom
        Passages and voices.
    ways : mapping of str to str
        Ways of setting the level and what they are called: `CLEANING`, `NOISES` or `TOGETHER`.
    """
    passages, waves = [], []
    for heard in room.heard:
        scale = _scale(heard)
        waves.append([in_base64(one, scale, room.rate_hz) for one in heard.waves])
        passages.append(_passage(heard, room, scale, list(ways)))
    data = {
        "rate": room.rate_hz,
        "voices": [
            {"key": voice.key, "label": voice.label, "parts": [list(part) for part in voice.parts]}
            for voice in room.voices
        ],
        "ways": [{"key": key, "label": label} for key, label in ways.items()],
        "passages": passages,
        "blind": list(room.blind),
        "blindWay": room.blind_way,
    }
    return Hearing(data, waves, room.notes)


def _passage(heard: Heard, room: HearingRoom, scale: float, ways: list[str]) -> dict[str, Any]:
    start_s, stop_s = heard.passage.start / room.rate_hz, heard.passage.stop / room.rate_hz
    return {
        "label": f"{heard.passage.kind}, {format_time(start_s)} to {format_time(stop_s)}",
        "start": start_s,
        "frames": heard.passage.stop - heard.passage.start,
        "scale": scale,
        "gains": {
            way: {key: round(gain, 3) for key, gain in heard.gains_db[way].items()} for way in ways
        },
    }


def _scale(heard: Heard) -> float:
    """Return the power of two that all waves of a passage are divided by, 1 if they fit as are."""
    peak = max(float(np.abs(one).max(initial=0.0)) for one in heard.waves)
    scale = 1.0
    while peak > scale * (1 - 1 / _FULL):
        scale *= 2
    return scale


def in_base64(samples: Samples, scale: float, rate_hz: int) -> str:
    """Return samples as a WAV file of 24 bits in base64, undithered.

    Parameters
    ----------
    samples : ndarray of shape (channels, frames)
        Within -scale to scale.
    scale : float
        What is stored as full scale.
    rate_hz : int
        Sampling rate in Hz.
    """
    whole = np.rint(samples.T * (_FULL / scale)).clip(-_FULL, _FULL - 1).astype("<i4")
    three = np.ascontiguousarray(whole).view(np.uint8).reshape(-1, 4)[:, :3]
    stored = io.BytesIO()
    with wave.open(stored, "wb") as file:
        file.setnchannels(samples.shape[0])
        file.setsampwidth(3)
        file.setframerate(rate_hz)
        file.writeframes(three.tobytes())
    return base64.b64encode(stored.getvalue()).decode("ascii")
