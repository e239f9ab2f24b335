"""What a cleaning may never change: order, polarity, level and time of what it is given."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import read_all
from cleanchain.chain import Chain
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from tests.audio.waves import FORMATS
from tests.faults.sounds import RATE_HZ, hiss, hum, notes

Call = Callable[..., Any]
CHAIN = Chain([HighPass(), Hum(), Gate()])
TAKE = np.concatenate([notes(4), 0.5 * np.roll(notes(4), 3000, axis=0)], axis=1).T
TAKE = TAKE + (hum(4) * [1.0, 0.6] + hiss(4, channels=2)).T
SILENCE = (hum(3) * [1.0, 0.6] + hiss(3, 2, channels=2)).T


def cleaned(take: np.ndarray, silence: np.ndarray) -> np.ndarray:
    plan = CHAIN.plan(Capture(take, RATE_HZ), Capture(silence, RATE_HZ))
    return read_all(plan.output)


@pytest.fixture(scope="module")
def straight() -> np.ndarray:
    return cleaned(TAKE, SILENCE)


def test_channels_that_are_swapped_come_out_swapped(straight: np.ndarray) -> None:
    swapped = cleaned(TAKE[::-1], SILENCE[::-1])
    assert swapped[::-1] == pytest.approx(straight, abs=1e-7)


def test_twice_the_level_in_is_twice_the_level_out(straight: np.ndarray) -> None:
    """Gains of the gate are single precision: a part in 1e7 of full scale."""
    assert cleaned(2 * TAKE, 2 * SILENCE) == pytest.approx(2 * straight, abs=1e-7)


def test_a_flip_of_polarity_in_is_one_out(straight: np.ndarray) -> None:
    assert cleaned(-TAKE, -SILENCE) == pytest.approx(-straight, abs=1e-7)


def test_nothing_moves_in_time(straight: np.ndarray) -> None:
    for one, other in zip(straight, TAKE, strict=True):
        spectra = np.fft.rfft(one) * np.fft.rfft(other).conj()
        assert np.argmax(np.fft.irfft(spectra, one.size)) == 0


@pytest.mark.parametrize(
    ("container", "ending", "subtype"), [one for one in FORMATS if one[2] in ("PCM_24", "PCM_S8")]
)
def test_every_container_through_a_chain(
    tmp_path: Path, call: Call, container: str, ending: str, subtype: str
) -> None:
    """Frames, rate, channels and format stay, the source is not touched, twice is the same."""
    take = tmp_path / f"in{ending}"
    soundfile.write(take, TAKE.T, RATE_HZ, subtype, format=container)
    before = hashlib.sha256(take.read_bytes()).digest(), take.stat().st_mtime_ns
    for name in ("one", "two"):
        out = f"{name}{ending}"
        told = call("clean", take.name, "--silence", "0:00.1-0:01.3", "--out", out, "high-pass")
        assert told.code == 0, told.err
    assert (hashlib.sha256(take.read_bytes()).digest(), take.stat().st_mtime_ns) == before
    one, two = (tmp_path / f"{name}{ending}" for name in ("one", "two"))
    assert one.read_bytes() == two.read_bytes()
    found, wanted = soundfile.info(one), soundfile.info(take)
    for what in ("samplerate", "channels", "frames", "format", "subtype"):
        assert getattr(found, what) == getattr(wanted, what)
    samples = soundfile.read(one)[0]
    assert np.isfinite(samples).all()
    assert np.abs(samples).max() <= 1.0
