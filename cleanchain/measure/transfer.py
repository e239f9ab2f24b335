"""A played noise against what was recorded of it: what was heard, and what else there was."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from cleanchain.audio.source import Source
from cleanchain.errors import InputError
from cleanchain.measure.bands import Band, band_weights
from cleanchain.measure.levels import Estimates
from cleanchain.measure.noise_search import PlayedAt
from cleanchain.measure.played import segment_frames, segment_pairs

Reals = NDArray[np.float64]

#: Shifts in bins between which spectra are interpolated, and one that makes no difference.
_SHIFT_STEP, _NO_SHIFT = 0.125, 0.01
#: Where the played noise is this far below its middle, nothing was played.
_NOT_PLAYED = 1e-4
#: A bin is drowned where its noise is this many times that around it; how much of a band's heard
#: density an unseen part may differ by.
_DROWNED, _UNSEEN = 3.0, 0.25
#: Variance of a power of which nothing is known, that of full scale.
_UNKNOWN = 1.0


@dataclass(frozen=True, eq=False)
class Transfer:
    """Played and recorded noise against each other.

    Parameters
    ----------
    played, heard : ndarray of shape (bins,)
        Densities of both, full scale squared per Hz.
    cross : ndarray of complex, shape (bins,)
        Cross density of both.
    averages : float
        How many independent segments were averaged.
    bin_hz : float
        Distance of the bins.
    """

    played: Reals
    heard: Reals
    cross: NDArray[np.complex128]
    averages: float
    bin_hz: float

    @property
    def frequency_hz(self) -> Reals:
        """Frequency of every bin."""
        return np.arange(self.played.size, dtype=np.float64) * self.bin_hz

    @property
    def coherence(self) -> Reals:
        """Magnitude-squared coherence, 0 to 1."""
        return np.clip(self._coherent() / np.maximum(self.heard, 1e-300), 0.0, 1.0)

    @property
    def gain_db(self) -> Reals:
        """Gain from the played file to the recording; the loudspeaker and the room are in it."""
        gain = np.abs(self.cross) / np.maximum(self.played, 1e-300)
        return 20 * np.log10(np.maximum(gain, 1e-15))

    def _coherent(self) -> Reals:
        coherent: Reals = np.abs(self.cross) ** 2 / np.maximum(self.played, 1e-300)
        return coherent

    @property
    def residual(self) -> Reals:
        """Density of what has nothing to do with the played noise, without bias."""
        rest = np.maximum(self.heard - self._coherent(), 0.0)
        return rest * self.averages / max(self.averages - 1, 1.0)

    def heard_in(self, bands: tuple[Band, ...]) -> Estimates:
        """Power in each band that belongs to the played noise, chance taken out.

        Bins that hum drowns are left out where a band has others; what they would hold is taken
        to be like the rest of the band, to a quarter.
        """
        noise = self.residual / self.averages
        excess = self._coherent() - noise
        weights = self._weights(bands) * self._there
        kept, scale = self._kept(weights, bands)
        power = scale * (kept @ excess) * self.bin_hz
        # Chance of the noise's own coherent part, and of its product with the signal.
        own = _shared(4) * (kept**2 @ noise**2)
        product = _shared(2) * np.maximum(kept**2 @ (2 * excess * noise), 0.0)
        chance = (scale * self.bin_hz) ** 2 * (own + product)
        unseen = np.maximum(1 - 1 / np.maximum(scale, 1.0), 0.0)
        played = weights.any(axis=1)  # where nothing was played, anything may be heard
        variance = np.where(played, chance + (_UNSEEN * unseen * power) ** 2, _UNKNOWN)
        return Estimates(power, variance)

    def residual_in(self, bands: tuple[Band, ...]) -> Estimates:
        """Hiss in each band that has nothing to do with the played noise, lines left out."""
        weights = self._weights(bands)
        kept, scale = self._kept(weights, bands)
        power = scale * (kept @ self.residual) * self.bin_hz
        chance = _shared(2) * (scale * self.bin_hz) ** 2 * (kept**2 @ self.residual**2)
        drowned = ~(weights * [self._clear(band) for band in bands]).any(axis=1)
        return Estimates(power, np.where(drowned, _UNKNOWN, chance / self.averages))

    @cached_property
    def _there(self) -> NDArray[np.bool_]:
        """Bins in which something was played."""
        there: NDArray[np.bool_] = self.played > _NOT_PLAYED * np.median(
            self.played[self.played > 0]
        )
        return there

    def _weights(self, bands: tuple[Band, ...]) -> Reals:
        edges = tuple((band.low_hz, band.high_hz) for band in bands)
        return band_weights(edges, self.played.size, self.bin_hz)

    def _kept(self, weights: Reals, bands: tuple[Band, ...]) -> tuple[Reals, Reals]:
        """Weights of the bins that hum does not drown, and what to multiply their sums by."""
        clear = weights * np.array([self._clear(band) for band in bands])
        kept = np.where(clear.any(axis=1)[:, None], clear, weights)
        return kept, weights.sum(axis=1) / np.maximum(kept.sum(axis=1), 1e-30)

    def _clear(self, band: Band) -> NDArray[np.bool_]:
        """Bins whose own noise is near that of the quieter ones within half an octave."""
        near = (self.frequency_hz > 0.7 * band.low_hz) & (self.frequency_hz < 1.4 * band.high_hz)
        near &= self._there
        quiet = float(np.percentile(self.residual[near], 25)) if near.any() else 0.0
        clear: NDArray[np.bool_] = self.residual <= _DROWNED * quiet
        return clear


def measure_transfer(played: Source, heard: Source, place: PlayedAt, channel: int = 0) -> Transfer:
    """Average cross-spectra of a played noise and its recording along their alignment.

    Parameters
    ----------
    played, heard : Source
        See `find_played`.
    place : PlayedAt
        Where the noise lies.
    channel : int, optional
        Of the recording, counted from 0.

    Raises
    ------
    InputError
        If they overlap by less than four segments of 0.3 s.

    Notes
    -----
    What arrives later than a segment, 0.3 s, counts as noise.
    """
    size = segment_frames(heard.rate_hz)
    window = _window(size)
    single = window.astype(np.float32)  # a part in ten million, of both, is nothing beside chance
    turn = (2j * np.pi * np.arange(size // 2 + 1) / size).astype(np.complex64)
    sums = np.zeros((2, size // 2 + 1))
    cross: NDArray[np.complex128] = np.zeros(size // 2 + 1, dtype=np.complex128)
    count = 0
    for x, y, part, _ in segment_pairs(played, heard, place, channel, size, size // 2):
        xs = _on_heard_clock(x.astype(np.float32) * single, 1e-6 * place.drift_ppm)
        xs = xs * np.exp(turn * part[:, None].astype(np.float32))
        ys = fft.rfft(y.astype(np.float32) * single, axis=-1)
        sums[0] += (xs.real**2 + xs.imag**2).sum(axis=0)
        sums[1] += (ys.real**2 + ys.imag**2).sum(axis=0)
        cross += np.einsum("ij,ij->j", xs.conj(), ys)
        count += len(x)
    if count < 7:
        raise InputError(
            f"overlaps with what was played by {count * size / 2 / heard.rate_hz:.1f} s only",
            where=heard.name,
            fix="Start the recording before the stimulus and play all of it.",
        )
    scale = 2 / (heard.rate_hz * float((window**2).sum()) * count)
    overlap = float((window[: size // 2] * window[size // 2 :]).sum() / (window**2).sum())
    averages = count / (1 + 2 * (count - 1) / count * overlap**2)
    return Transfer(sums[0] * scale, sums[1] * scale, cross * scale, averages, heard.rate_hz / size)


def _window(size: int) -> Reals:
    """Blackman-Harris window of four terms: side lobes 92 dB down keep hum where it is.

    Harris 1978, table I.
    """
    turn = 2 * np.pi * np.arange(size) / size
    terms = (0.35875, -0.48829, 0.14128, -0.01168)
    window: Reals = sum(a * np.cos(k * turn) for k, a in enumerate(terms)) + np.zeros(size)
    return window


@lru_cache(maxsize=4)
def _shared(exponent: int) -> float:
    """By how much neighbouring bins widen the variance of a sum over bins.

    One plus twice the sum of their correlations to a power: 2 for products with a fixed signal and
    for densities, 4 for products of two noises.
    """
    spectrum = np.abs(np.fft.rfft(_window(4096) ** 2))
    near = spectrum[1:8] / spectrum[0]
    return float(1 + 2 * (near**exponent).sum())


def _on_heard_clock(pieces: NDArray[Any], drift: float) -> NDArray[Any]:
    """Spectra of segments as they are on a clock that makes them slower about their middle.

    A spectrum of a stretched segment is the segment's own, read at frequencies that are higher by
    the drift. Segments are turned by some such shifts and the spectra interpolated between them.
    """
    size = pieces.shape[-1]
    shift = drift * np.arange(size // 2 + 1)  # in bins
    steps = int(np.ceil(abs(shift[-1]) / _SHIFT_STEP))
    if abs(shift[-1]) < _NO_SHIFT:
        return np.asarray(fft.rfft(pieces, axis=-1))
    time = (np.arange(size) - size / 2) / size
    total = np.zeros((len(pieces), size // 2 + 1), dtype=complex)
    for step in range(steps + 1):
        at = shift[-1] * step / steps
        share = np.maximum(1 - np.abs(shift - at) * steps / abs(shift[-1]), 0.0)
        turned = np.fft.fft(pieces * np.exp(-2j * np.pi * at * time))[:, : size // 2 + 1]
        total += share * turned
    return total
