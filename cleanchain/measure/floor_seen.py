"""The hiss of a build as it is seen between the notes of a take, band by band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.fourier import fast_length
from cleanchain.measure.bands import Band, bands

Reals = NDArray[np.float64]

#: Length of a frame, s: long enough to part the lines of the mains, short enough for rests.
_FRAME_S = 0.34
#: Bins to either side of a mains line that belong to it, and up to where lines are left out, Hz.
_SKIRT_BINS, _LINES_TO_HZ = 2.5, 3000.0
#: Fewest bins of a band, lowest band, Hz, and fewest frames.
_FEWEST_BINS, _FROM_HZ, _FEWEST_FRAMES = 8, 90.0, 8
#: The floor is looked for among the lowest frames: from this share of them to that.
_LOW, _MIDDLE, _HIGH = 0.05, 0.12, 0.2
#: Where the middle one of these lies in noise alone, standard deviations under the mean: between
#: the cases that all of the take is noise (1.17) and that a quarter of it is (0.05).
_UNDER = 0.5
#: Low frames that differ by more than noise does, times its spread and dB, hold notes.
_UNSTEADY, _UNSTEADY_DB = 1.7, 0.7


@dataclass(frozen=True, eq=False)
class BandLevels:
    """Level of the hiss in every band over time, lines and partials left out.

    Parameters
    ----------
    bands : tuple of Band
        Third octaves that hold enough bins.
    level_db : ndarray of shape (bands, times)
        Middle power of a bin; only differences mean anything.
    line_db : ndarray of shape (lines, times)
        Power of mains lines.
    """

    bands: tuple[Band, ...]
    level_db: Reals
    line_db: Reals

    @property
    def mean_db(self) -> Reals:
        """Mean over time."""
        mean: Reals = self.level_db.mean(axis=1)
        return mean

    @property
    def sd_db(self) -> Reals:
        """Spread over time."""
        sd: Reals = self.level_db.std(axis=1)
        return sd


@dataclass(frozen=True, eq=False)
class Seen:
    """How far the hiss of a take lies from that of a silence.

    Parameters
    ----------
    bands : tuple of Band
        Third octaves.
    change_db, sd_db : ndarray of shape (bands,)
        Level against the silence, and its standard deviation.
    clear : ndarray of bool, shape (bands,)
        Whether it is the hiss that was seen; where notes never rest it can only be lower.
    line_change_db : ndarray of shape (lines,)
        The same for the mains lines that were seen clearly.
    """

    bands: tuple[Band, ...]
    change_db: Reals
    sd_db: Reals
    clear: NDArray[np.bool_]
    line_change_db: Reals


def band_levels(
    source: Source, channel: int, mains_hz: float | None, harmonics: Sequence[int] = ()
) -> BandLevels:
    """Measure the hiss of one channel in bands and frames.

    Parameters
    ----------
    source : Source
        A silence or a take; digital silence in it is left out.
    channel : int
        Counted from 0.
    mains_hz : float or None
        Mains whose lines are left out.
    harmonics : sequence of int, optional
        Lines that are measured by themselves.
    """
    size = fast_length(round(_FRAME_S * source.rate_hz))
    hop, bin_hz = size // 2, source.rate_hz / size
    hz = np.arange(size // 2 + 1) * bin_hz
    free = np.ones(hz.size, dtype=bool)
    if mains_hz is not None:
        nearest = np.maximum(np.round(hz / mains_hz), 1) * mains_hz
        free = (np.abs(hz - nearest) > _SKIRT_BINS * bin_hz) | (hz > _LINES_TO_HZ)
    shown, bins = [], []
    for band in bands(100.0):
        inside = np.flatnonzero((hz >= band.low_hz) & (hz < band.high_hz) & free)
        if inside.size >= _FEWEST_BINS and band.high_hz <= source.rate_hz / 2:
            shown.append(band)
            bins.append(inside)
    reach = int(_SKIRT_BINS)
    lines = [
        slice(at - reach, at + reach + 1)
        for at in (round(h * mains_hz / bin_hz) for h in harmonics if mains_hz)
        if reach < at < hz.size - reach
    ]
    window = np.hanning(size)
    columns, heights = [], []
    for start in range(0, source.frames - size + 1, 32 * hop):
        stop = min(start + 31 * hop + size, source.frames)
        block = source.read(start, stop)[channel]
        frames = np.lib.stride_tricks.sliding_window_view(block, size)[::hop]
        frames = frames[(frames == 0).mean(axis=1) < 0.25]
        spectra = np.fft.rfft(frames * window)
        power = spectra.real**2 + spectra.imag**2
        columns += [[np.median(row[inside]) for inside in bins] for row in power]
        heights += [[row[line].sum() for line in lines] for row in power]
    return BandLevels(tuple(shown), _db(columns, len(bins)), _db(heights, len(lines)))


def _db(rows: list[list[float]], width: int) -> Reals:
    level: Reals = 10 * np.log10(np.maximum(np.array(rows).reshape(len(rows), width).T, 1e-30))
    return level


def floor_seen(silence: BandLevels, take: BandLevels) -> Seen | None:
    """Compare the lowest frames of a take with a silence, of equal rate.

    Parameters
    ----------
    silence, take : BandLevels
        Measured with the same mains left out.

    Returns
    -------
    Seen or None
        None where one of them is too short.

    Notes
    -----
    Notes only add: where the lowest frames lie under the silence, the hiss itself does. Where
    they lie above it, they count as hiss only if they are as steady as hiss is.
    """
    if min(silence.level_db.shape[1], take.level_db.shape[1]) < _FEWEST_FRAMES:
        return None
    change, sd, steady = _seen(silence.level_db, take.level_db)
    # Half of the frames are independent; a quantile this low is known half as well as a mean.
    counts = 0.5 * silence.level_db.shape[1], 0.5 * _HIGH * take.level_db.shape[1]
    chance = sd * np.sqrt(1 / counts[0] + 2 / max(counts[1], 1.0))
    lines, _, lines_steady = _seen(silence.line_db, take.line_db)
    return Seen(
        take.bands,
        change,
        np.hypot(chance, 0.4 * sd),
        steady | (change < 0),
        lines[lines_steady],
    )


def floors_apart(one: BandLevels, other: BandLevels) -> Seen:
    """Compare two silences of equal rate, the second against the first."""
    counts = [0.5 * max(levels.level_db.shape[1], 1) for levels in (one, other)]
    sd = np.sqrt(one.sd_db**2 / counts[0] + other.sd_db**2 / counts[1])
    change = other.mean_db - one.mean_db
    lines = other.line_db.mean(axis=1) - one.line_db.mean(axis=1)
    return Seen(other.bands, change, sd, np.ones(change.size, dtype=bool), lines)


def _seen(silence_db: Reals, take_db: Reals) -> tuple[Reals, Reals, NDArray[np.bool_]]:
    """Return change, spread in the silence, and whether the low frames are as steady as noise."""
    sd = np.maximum(silence_db.std(axis=1), 0.1)
    low, middle, high = np.quantile(take_db, (_LOW, _MIDDLE, _HIGH), axis=1)
    change: Reals = middle + _UNDER * sd - silence_db.mean(axis=1)
    return change, sd, high - low <= _UNSTEADY * sd + _UNSTEADY_DB
