"""Spectral density of a recording by averaged periodograms, with what chance does to it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.special import chdtri

from cleanchain.audio.source import Samples, Source
from cleanchain.errors import InputError

Reals = NDArray[np.float64]

#: Widest bin that keeps mains harmonics and the 20 Hz third-octave band apart, Hz.
BIN_HZ = 0.75
#: Fewest segments worth an average, and the shortest frame.
_FEWEST_SEGMENTS, _SHORTEST_FRAME = 8, 1024
#: Samples that are transformed together.
_BATCH_FRAMES = 1 << 18


@dataclass(frozen=True, eq=False)
class Spectrum:
    """One-sided power spectral density with its statistics.

    Parameters
    ----------
    psd : ndarray of shape (channels, bins)
        Density in full scale squared per Hz: its sum times `bin_hz` is the mean square.
    rate_hz : int
        Sampling rate of what was measured, Hz.
    frame_frames : int
        Length of a segment.
    overlap : float
        Part of a segment that the next one shares, 0.5 to below 1.
    segments : int
        How many segments were averaged, >= 1.
    """

    psd: Reals
    rate_hz: int
    frame_frames: int
    overlap: float
    segments: int

    @property
    def bin_hz(self) -> float:
        """Distance of the bins in Hz."""
        return self.rate_hz / self.frame_frames

    @property
    def frequency_hz(self) -> Reals:
        """Frequency of every bin, shape (bins,)."""
        return np.arange(self.psd.shape[1], dtype=np.float64) * self.bin_hz

    @property
    def dof(self) -> float:
        """Equivalent degrees of freedom of a bin, overlap correlation counted."""
        return equivalent_dof(self.frame_frames, self.overlap, self.segments)

    @property
    def steady_seconds(self) -> float:
        """Length over which the power of a steady line is averaged, s.

        Windows weigh some moments more than others, and the ends of a recording least: of weights
        W the sum's square over the sum of squares counts.
        """
        size = min(self.frame_frames, 256)
        hop = max(round(size * (1 - self.overlap)), 1)
        square = _hann(size) ** 2
        lags = np.arange(0, min(-(-size // hop), self.segments))
        pairs = np.array([float(square[: size - k * hop] @ square[k * hop :]) for k in lags])
        pairs[1:] *= 2
        whole = float(pairs @ (self.segments - lags))
        averaged = (self.segments * float(square.sum())) ** 2 / whole
        return averaged / size * self.frame_frames / self.rate_hz

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Factors of a bin's density between which the true one lies, see `interval_factors`."""
        return interval_factors(self.dof, confidence)

    def sum_dof(self, weights: Reals) -> Reals:
        """Equivalent degrees of freedom of weighted sums over bins.

        Parameters
        ----------
        weights : ndarray of shape (sums, bins)
            Weight of each bin in each sum; for a band, its part of the bin times the density
            that noise has there.

        Returns
        -------
        ndarray of shape (sums,)
            Neighbouring bins of a Hann window are correlated, and so are overlapping segments;
            both are counted. At least that of one bin for a sum that is not empty.
        """
        near = neighbour_correlation(self.frame_frames, self.overlap, self.segments)
        square = near[0] * (weights**2).sum(axis=1)
        for distance in range(1, near.size):
            pairs = (weights[:, distance:] * weights[:, :-distance]).sum(axis=1)
            square += 2 * near[distance] * pairs
        total = weights.sum(axis=1) ** 2
        dof: Reals = 2 * self.segments * total / np.maximum(square, 1e-300)
        return np.maximum(dof, self.dof)


def interval_factors(dof: float, confidence: float = 0.95) -> tuple[float, float]:
    """Factors of a measured power between which the true power lies.

    Parameters
    ----------
    dof : float
        Equivalent degrees of freedom, > 0.
    confidence : float, optional
        Probability, between 0 and 1.

    Returns
    -------
    low, high : float
        ``dof / chi2`` at both tails (Percival & Walden 1993, ch. 6).
    """
    tail = (1 - confidence) / 2
    return float(dof / chdtri(dof, tail)), float(dof / chdtri(dof, 1 - tail))


@lru_cache(maxsize=32)
def _hann(size: int) -> Reals:
    window: Reals = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    window.flags.writeable = False
    return window


@lru_cache(maxsize=32)
def _correlations(size: int, hop: int, distances: int) -> Reals:
    """Squared correlation of bins some bins and some hops apart, shape (hops, distances)."""
    window = _hann(size)
    rows = []
    for lag in range(0, size, hop):
        product = np.zeros(size)
        product[: size - lag] = window[: size - lag] * window[lag:]
        rows.append(np.abs(scipy.fft.rfft(product)[:distances]) ** 2)
    table = np.array(rows)
    correlations: Reals = table / table[0, 0]
    return correlations


def neighbour_correlation(frame_frames: int, overlap: float, segments: int) -> Reals:
    """Factor by which overlap widens the covariance of bins 0, 1, 2 and 3 apart, shape (4,).

    Entry d is ``sum over m of (1 - |m| / K) rho(m, d)``, m from -(K - 1) to K - 1 hops.
    """
    hop = _hop(frame_frames, overlap)
    # The window's shape decides, not its length: a short one gives the same numbers.
    size = min(frame_frames, 4096)
    table = _correlations(size, max(round(hop * size / frame_frames), 1), 4)
    lags = np.arange(min(table.shape[0], segments))
    weight = 1 - lags / segments
    weight[1:] *= 2
    factors: Reals = weight @ table[: lags.size]
    return factors


def equivalent_dof(frame_frames: int, overlap: float, segments: int) -> float:
    """Equivalent degrees of freedom of an average of overlapping Hann periodograms.

    ``2 K / (1 + 2 sum (1 - m / K) rho_m^2)`` (Welch 1967; Harris 1978; formula from memory).
    """
    return 2 * segments / float(neighbour_correlation(frame_frames, overlap, segments)[0])


def frame_for(frames: int, rate_hz: int, bin_hz: float = BIN_HZ) -> int:
    """Choose a segment length: fine bins where the recording is long enough for them.

    Returns
    -------
    int
        A power of two with bins of at most `bin_hz`, shortened until eight segments fit.
    """
    fine = 1 << math.ceil(math.log2(rate_hz / bin_hz))
    most = 2 * frames // (_FEWEST_SEGMENTS + 1)
    fits = 1 << max(most, 1).bit_length() - 1
    return max(min(fine, fits), _SHORTEST_FRAME)


def measure_spectrum(
    source: Source, frame_frames: int | None = None, overlap: float = 0.5
) -> Spectrum:
    """Average the periodograms of a whole source, in one pass and in flat memory.

    Parameters
    ----------
    source : Source
        Any length; a remainder shorter than a hop is left out.
    frame_frames : int, optional
        Length of a segment; by default see `frame_for`.
    overlap : float, optional
        At least 0.5, where Hann loses nothing, below 1.

    Raises
    ------
    InputError
        If the source is shorter than one segment.
    """
    size = frame_frames or frame_for(source.frames, source.rate_hz)
    total = np.zeros((source.channels, size // 2 + 1))
    segments = 0
    for pieces in _segments(source, size, _hop(size, overlap)):
        spectra = scipy.fft.rfft(pieces * _hann(size), axis=-1, workers=2)
        total += (spectra.real**2 + spectra.imag**2).sum(axis=1)
        segments += pieces.shape[1]
    scale = 2.0 / (source.rate_hz * float(np.sum(_hann(size) ** 2)) * segments)
    total *= scale
    total[:, 0] /= 2
    if size % 2 == 0:
        total[:, -1] /= 2
    return Spectrum(total, source.rate_hz, size, overlap, segments)


def _hop(size: int, overlap: float) -> int:
    if not 0.5 <= overlap < 1:
        raise ValueError(f"overlap must be at least 0.5 and below 1, not {overlap}")
    return max(round(size * (1 - overlap)), 1)


def _segments(source: Source, size: int, hop: int) -> Iterator[Samples]:
    """Yield batches of segments, shape (channels, segments, size)."""
    if source.frames < size:
        raise InputError(
            f"is {source.frames / source.rate_hz:.2f} s long; its spectrum needs "
            f"{size / source.rate_hz:.2f} s",
            where=source.name,
            fix="Record at least ten seconds; thirty are good.",
        )
    count = 1 + (source.frames - size) // hop
    batch = max(_BATCH_FRAMES // size, 1)
    for first in range(0, count, batch):
        number = min(batch, count - first)
        stretch = source.read(first * hop, (first + number - 1) * hop + size)
        yield np.lib.stride_tricks.sliding_window_view(stretch, size, axis=1)[:, ::hop]
