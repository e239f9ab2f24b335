"""Gate: hiss out in every place of time and frequency, learned from the silence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source, read_all
from cleanchain.errors import InputError, SettingError
from cleanchain.measure.noise_floor import NoiseFloor, learn_floor
from cleanchain.operators.base import Identity
from cleanchain.operators.short_time import Frames, ShortTimeGain, frames_for
from cleanchain.operators.two_frames import SHORTER, TwoFrames
from cleanchain.stages.base import Plan, Stage
from cleanchain.stages.gate_rules import EstimateRule, ThresholdRule
from cleanchain.units import db_to_amplitude, format_time

#: Length of a frame, s: long enough to part the partials of a low string.
FRAME_S = 7680 / 48_000
#: Standard deviations above the mean level of the silence at which the plain method opens.
THRESHOLD_SD = 1.5


@dataclass(frozen=True)
class Gate(Stage):
    """Lower the hiss wherever no signal sounds, in each place of time and frequency.

    Parameters
    ----------
    depth_db : float, optional
        How far the hiss goes down where nothing else sounds, 0 to 80 dB; 0 is off. The default
        leaves an even floor that does not chirp.
    method : {"estimate", "threshold"}, optional
        "estimate" weighs each place by how probably and how strongly a signal stands in it;
        "threshold" opens where the level passes that of the silence, by the statistics of the
        stationary gate of the noisereduce library, for each channel.
    link : bool, optional
        One gain for all channels, so that the stereo image stands still.
    max_cost_db : float, optional
        Largest cost to the signal that is allowed, dB, above 0; the depth is then the deepest
        that keeps to it, up to ``depth_db``. See `cleanchain.cost_limit`.
    """

    name: ClassVar[str] = "gate"
    depth_db: float = 12.0
    method: Literal["estimate", "threshold"] = "estimate"
    link: bool = False
    max_cost_db: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.depth_db <= 80.0:
            raise SettingError(
                f"a depth of {self.depth_db:g} dB is outside 0 to 80",
                where=self.name,
                fix="Give 12dB for a natural floor; 0dB is off.",
            )
        if self.max_cost_db is not None and not 0.0 < self.max_cost_db <= 20.0:
            raise SettingError(
                f"a largest cost of {self.max_cost_db:g} dB is outside 0 to 20",
                where=self.name,
                fix="Give 1dB or so.",
            )
        if self.method not in ("estimate", "threshold"):
            raise SettingError(f"no method {self.method!r}", where=self.name)

    def _design(self, take: Source, silence: Source | None) -> Plan:
        if self.depth_db == 0.0:
            return Plan(self, Identity(), {}, {"gate": "off: a depth of 0 dB"})
        if silence is None:
            raise InputError(
                "the gate has no silence to learn the hiss from",
                where=take.name,
                fix="Record ten seconds of the same build without playing.",
            )
        frames, short = gate_frames(take.rate_hz)
        floor = learn_floor(silence, frames)
        least = db_to_amplitude(-self.depth_db)
        operator: ShortTimeGain | TwoFrames
        if self.method == "estimate":
            brief = learn_floor(silence, short)
            operator = TwoFrames(
                ShortTimeGain(frames, EstimateRule("long", floor.power, least, self.link)),
                ShortTimeGain(short, EstimateRule("short", brief.power, least, self.link)),
                least,
            )
        else:
            opens_at = _threshold(silence, frames)
            operator = ShortTimeGain(frames, ThresholdRule(opens_at, least, self.link))
        findings: dict[str, Any] = {
            "frame_ms": round(1000 * frames.size / take.rate_hz, 2),
            "hop_ms": round(1000 * frames.hop / take.rate_hz, 2),
            "look_ahead_ms": round(1000 * operator.context / take.rate_hz, 1),
            "floor_dbfs": [round(level, 2) for level in floor.level_dbfs],
            "floor_sd_db": round(10 * np.log10(1 + floor.relative_sd), 2),
            "silence_used_s": round(floor.used_s, 2),
            "silence_left_out_s": list(floor.left_out_s),
        }
        return Plan(self, operator, findings, _words(floor))


def gate_frames(rate_hz: int) -> tuple[Frames, Frames]:
    """Return the long and the short frames of the gate at a sampling rate."""
    short = frames_for(rate_hz, FRAME_S / SHORTER)
    return Frames(SHORTER * short.hop), short


def _words(floor: NoiseFloor) -> dict[str, str]:
    if not floor.left_out_s:
        return {}
    times = ", ".join(format_time(second) for second in floor.left_out_s[:5])
    more = f" and {len(floor.left_out_s) - 5} more" if len(floor.left_out_s) > 5 else ""
    return {"silence_left_out_s": f"something sounds in the silence at {times}{more}; left out"}


def _threshold(silence: Source, frames: Frames) -> NDArray[np.float64]:
    """Return the power above which noisereduce's stationary gate opens, (channels, bins)."""
    from noisereduce.spectralgate.stationary import SpectralGateStationary

    samples = read_all(silence)
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(frames.size) / frames.size)
    # The library scales its spectra by the sum of a Hann window; ours are unscaled, and noise
    # passes our window with another power.
    scale = hann.sum() ** 2 / np.sum(hann**2) * np.sum(frames.window**2)
    rows = []
    for channel in samples:
        learned = SpectralGateStationary(
            y=channel,
            sr=silence.rate_hz,
            y_noise=channel,
            n_std_thresh_stationary=THRESHOLD_SD,
            chunk_size=channel.size,
            clip_noise_stationary=False,
            padding=0,
            n_fft=frames.size,
            win_length=frames.size,
            hop_length=frames.hop,
            time_constant_s=2.0,
            freq_mask_smooth_hz=None,
            time_mask_smooth_ms=None,
            tmp_folder=None,
            prop_decrease=1.0,
            use_tqdm=False,
            n_jobs=1,
        )
        rows.append(scale * 10 ** (learned.noise_thresh / 10))
    return np.array(rows)
