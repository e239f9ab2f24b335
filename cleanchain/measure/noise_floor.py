"""The noise floor of a build, learned from all of a silence capture."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.errors import InputError
from cleanchain.operators.short_time import Frames, powers
from cleanchain.units import format_time, rms_dbfs

#: Fewest frames that a floor is learned from, and the largest share that may be left out.
FEWEST_FRAMES = 8
MOST_LEFT_OUT = 0.5
_BANDS = 10
#: Frames that are held at a time.
_TOGETHER = 256
#: A frame whose band stands this many standard deviations of noise above the middle is no floor.
_OUTLIER_SD = 6.0
_OUTLIER_DB = 3.0
#: Part of the frames that shows the floor where something sounds in all others, in how many bands.
_QUIET, _MANY_BANDS = 0.2, 0.5


@dataclass(frozen=True, eq=False)
class NoiseFloor:
    """Power of the noise floor on short-time frames.

    Parameters
    ----------
    power : ndarray of shape (channels, bins)
        Mean power a bin of frames as `Frames` cuts them; > 0 wherever there is any noise.
    used_s : float
        Seconds of the silence that it was learned from.
    left_out_s : tuple of float
        Times at which something else than the floor was heard.
    level_dbfs : tuple of float
        Level of the floor of each channel; 0 dBFS is the rms of a full-scale sine.
    relative_sd : float
        Standard deviation of a bin's power, relative, from the length of the silence.
    """

    power: NDArray[np.float64]
    used_s: float
    left_out_s: tuple[float, ...]
    level_dbfs: tuple[float, ...]
    relative_sd: float


def learn_floor(silence: Source, frames: Frames) -> NoiseFloor:
    """Learn the floor of each channel from a whole silence capture.

    It is read once, and what lies around a disturbance once more, so that memory stays low.

    Parameters
    ----------
    silence : Source
        The build recorded without playing.
    frames : Frames
        How the gate cuts the take.

    Raises
    ------
    InputError
        If the silence is too short, is digital silence, or is disturbed for most of its length.
    """
    total = np.zeros((silence.channels, frames.bins))
    kept = 0
    sums, bands = [], []
    for power in _powers(silence, frames):
        sums.append(power.sum(axis=1, dtype=np.float64))
        bands.append(np.add.reduceat(power, _band_starts(frames.bins), axis=-1))
    times = sum(band.shape[1] for band in bands)
    if times < FEWEST_FRAMES:
        raise InputError(
            f"is {silence.frames / silence.rate_hz:.2f} s long; the gate needs "
            f"{(FEWEST_FRAMES + 3) * frames.hop / silence.rate_hz:.2f} s, ten seconds are good",
            where=silence.name,
            fix="Record ten seconds of the build without playing.",
        )
    band = np.concatenate(bands, axis=1)
    dead = (band == 0).all(axis=(0, 2))
    if dead.sum() > MOST_LEFT_OUT * times:
        raise InputError(
            "is digital silence, which is not a noise floor",
            where=silence.name,
            fix="Record the build itself, plugged in and at the take's gain, without playing.",
        )
    disturbed = _disturbed(band, dead, frames.bins) & ~dead
    # Marked are two frames before the first one that is disturbed, whose middle tells the time.
    seconds = (np.flatnonzero(disturbed) + 4) * frames.hop / silence.rate_hz
    if disturbed.sum() > MOST_LEFT_OUT * (times - dead.sum()):
        raise InputError(
            "is not steady: something sounds through most of it, from "
            f"{format_time(float(seconds[0]))} on",
            where=silence.name,
            fix="Record it again without touching or playing anything.",
        )
    # At either end lies what its edge did to a hum in earlier stages: left out, but no event.
    ends_s, whole_s = 2 * frames.size / silence.rate_hz, silence.frames / silence.rate_hz
    good = ~(disturbed | dead)
    for number, whole in enumerate(sums):
        chosen = good[number * _TOGETHER : (number + 1) * _TOGETHER]
        if chosen.all():
            total += whole
        elif chosen.any():
            power = next(_powers(silence, frames, number))
            total += power[:, chosen].sum(axis=1, dtype=np.float64)
        kept += int(chosen.sum())
    mean = total / kept
    # Two hops of the window overlap by half, so about half of the frames are independent.
    return NoiseFloor(
        power=np.maximum(mean, 1e-30),
        used_s=kept * frames.hop / silence.rate_hz,
        left_out_s=_distinct(seconds[(seconds > ends_s) & (seconds < whole_s - ends_s)]),
        level_dbfs=tuple(max(rms_dbfs(_mean_square(one, frames)), -200.0) for one in mean),
        relative_sd=float(1 / np.sqrt(kept / 2)),
    )


def _powers(silence: Source, frames: Frames, first: int = 0) -> Iterator[NDArray[np.float32]]:
    """Yield the powers of frames that follow on from each other, stretch by stretch."""
    step = _TOGETHER * frames.hop
    for start in range(first * step, silence.frames - frames.size + 1, step):
        stop = min(start + step + 3 * frames.hop, silence.frames)
        yield powers(frames.spectra(silence.read(start, stop).astype(np.float32)))


def _band_starts(bins: int) -> NDArray[np.int_]:
    edges = np.round(np.geomspace(4, bins, _BANDS + 1)).astype(int)[:-1]
    return np.unique(np.concatenate(([0], edges)))


def _disturbed(band: NDArray[np.float64], dead: NDArray[np.bool_], bins: int) -> NDArray[np.bool_]:
    """Find the frames in which a band stands further above its middle than noise does."""
    alive = band[:, ~dead]
    level = 10 * np.log10(np.maximum(band, 1e-30))
    alive_db = 10 * np.log10(np.maximum(alive, 1e-30))
    quiet, middle = np.quantile(alive_db, [_QUIET, 0.5], axis=1)[:, :, None]
    starts = _band_starts(bins)
    widths = np.diff(np.append(starts, bins))
    spread = 10 / np.log(10) / np.sqrt(np.maximum(widths / 1.5, 1.0))
    limit = np.maximum(_OUTLIER_SD * spread, _OUTLIER_DB)
    # What sounds through most of it, in most bands, makes the middle: the floor lies far below. In
    # few bands it may be a hum that beats.
    below = middle - quiet > limit
    middle = np.where(below.mean(axis=-1, keepdims=True) > _MANY_BANDS, quiet, middle)
    # The lowest bins, under 25 Hz on frames of 160 ms, are below hearing, and may hold what a
    # high-pass has left of the edges of a hum.
    high: NDArray[np.bool_] = (level - middle > limit)[..., 1:].any(axis=(0, 2))
    # A frame overlaps with its neighbours: what disturbs one is in them too.
    return np.convolve(high, np.ones(5, dtype=int), mode="same") > 0


def _distinct(seconds: NDArray[np.float64]) -> tuple[float, ...]:
    """Keep the first time of every disturbance, half a second apart at least."""
    kept: list[float] = []
    last = -1.0
    for second in seconds.tolist():
        if second - last > 0.5:
            kept.append(round(second, 2))
        last = second
    return tuple(kept)


def _mean_square(power: NDArray[np.float64], frames: Frames) -> float:
    """Mean square of the samples whose windowed frames have this mean power a bin."""
    double = 2 * power.sum() - power[0] - power[-1]
    return float(double / (frames.size * np.sum(frames.window**2)))
