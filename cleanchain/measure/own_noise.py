"""Signal-to-noise and own noise of recordings of one moment, from what they share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from cleanchain.errors import InputError
from cleanchain.measure.bands import Band, band_weights
from cleanchain.measure.coherence import (
    averages,
    coherence_bias,
    cross_spectra,
    no_coherence_threshold,
    squared_coherence,
    three_channel_noise,
)

Reals = NDArray[np.float64]
Spectra = NDArray[np.complex128]

#: Stretches whose scatter gives the intervals, seconds of a segment, and its fewest frames.
STRETCHES, _SEGMENT_S = 10, 0.3
_SHORTEST = 512
#: An own noise is told where it is known to a factor of this, as powers, both ways.
_MOST_FACTOR = 2.0
#: A ratio whose interval reaches further than this to either side, dB, is not told.
_MOST_REACH_DB = 10.0


@dataclass(frozen=True, eq=False)
class Shared:
    """Cross-spectra of recordings of one moment, stretch by stretch.

    Parameters
    ----------
    stretches : tuple of ndarray of complex, shape (channels, channels, bins)
        Mean cross-densities of each, full scale squared per Hz.
    averages : float
        Independent averages of all of them together.
    bin_hz : float
        Distance of the bins.
    """

    stretches: tuple[Spectra, ...]
    averages: float
    bin_hz: float

    def whole(self, without: int | None = None) -> Spectra:
        """Return the mean of the stretches, one of them left out if it is named."""
        kept = [one for place, one in enumerate(self.stretches) if place != without]
        mean: Spectra = np.mean(kept, axis=0)
        return mean

    def jackknife(self, number: Callable[[Spectra], Reals]) -> tuple[Reals, Reals]:
        """Evaluate a number, and its standard deviation by leaving out stretches in turn.

        Efron and Tibshirani 1993, ch. 11 (from memory).
        """
        count = len(self.stretches)
        values = np.array([number(self.whole(without)) for without in range(count)])
        with np.errstate(invalid="ignore"):
            square = (count - 1) / count * ((values - values.mean(axis=0)) ** 2).sum(axis=0)
        return number(self.whole()), np.sqrt(square)


@dataclass(frozen=True, eq=False)
class Known:
    """A level in dB with its 95 % interval, NaN where it is not known; shape (bands,) each."""

    level_db: Reals
    low_db: Reals
    high_db: Reals


def share(waves: Reals, rate_hz: int) -> Shared:
    """Measure the cross-spectra of aligned recordings, shape (channels, frames).

    Raises
    ------
    InputError
        If they overlap by less than a second or so.
    """
    length = waves.shape[1] // STRETCHES
    if length < 3 * _SHORTEST:
        raise InputError(
            f"have only {waves.shape[1] / rate_hz:.2f} s in common",
            where="the takes",
            fix="Record ten seconds or more.",
        )
    # At least three segments in every stretch, half overlapping.
    size = min(1 << round(np.log2(_SEGMENT_S * rate_hz)), 1 << int(np.log2(length / 2)))
    window = np.hanning(size + 1)[:-1]
    scale = 2 / (rate_hz * float((window**2).sum()))
    found, segments = [], 0
    for start in range(0, STRETCHES * length, length):
        spectra, count = cross_spectra(waves[:, start : start + length], size)
        found.append(scale * spectra)
        segments += count
    return Shared(tuple(found), averages(size, segments), rate_hz / size)


def weights_of(shared: Shared, bands: Sequence[Band]) -> Reals:
    """Part of every bin in every band, Hz, shape (bands, bins)."""
    edges = tuple((band.low_hz, band.high_hz) for band in bands)
    bins = shared.stretches[0].shape[-1]
    weights: Reals = band_weights(edges, bins, shared.bin_hz) * shared.bin_hz
    return weights


def coherence_in(shared: Shared, weights: Reals) -> Callable[[Spectra], Reals]:
    """Return what gives the squared coherence of the first two, by band, its bias taken out."""

    def number(spectra: Spectra) -> Reals:
        coherence = squared_coherence(spectra)
        clean = np.clip(coherence - coherence_bias(coherence, shared.averages), 0.0, 1.0)
        power = weights * np.sqrt((spectra[0, 0] * spectra[1, 1]).real)
        mean: Reals = (power * clean).sum(axis=1) / np.maximum(power.sum(axis=1), 1e-300)
        return mean

    return number


def shared_to_rest(shared: Shared, weights: Reals) -> tuple[Reals, Known]:
    """Coherence of two recordings by band, and the shared part over the rest of both together.

    What the formulas need is independent noise: hum that both pick up counts as shared, what one
    of them alone hears of the instrument as noise.
    """
    coherent = coherence_in(shared, weights)

    def number(spectra: Spectra) -> Reals:
        one = np.clip(coherent(spectra), 1e-9, 1 - 1e-9)
        level: Reals = 10 * np.log10(one / (1 - one))
        return level

    coherence = coherent(shared.whole())
    level, sd = shared.jackknife(number)
    reach = float(stdtrit(STRETCHES - 1, 0.975)) * sd
    limit = no_coherence_threshold(shared.averages)
    known = (coherence > limit) & (coherence < 1) & (reach < _MOST_REACH_DB)
    return coherence, Known(
        *(np.where(known, one, np.nan) for one in (level, level - reach, level + reach))
    )


def level_difference(shared: Shared, weights: Reals) -> tuple[Reals, Reals]:
    """Level of the second recording less that of the first by band, dB, and its deviation."""

    def number(spectra: Spectra) -> Reals:
        one, other = (weights @ spectra[k, k].real for k in (0, 1))
        level: Reals = 10 * np.log10(np.maximum(other, 1e-30) / np.maximum(one, 1e-30))
        return level

    return shared.jackknife(number)


def own_noise_of_three(shared: Shared, weights: Reals) -> list[Known]:
    """Own noise of each of three recordings by band, dB re full scale squared."""

    def number(spectra: Spectra) -> Reals:
        noise: Reals = three_channel_noise(spectra) @ weights.T
        return noise

    value, sd = shared.jackknife(number)
    return [_known(one, spread) for one, spread in zip(value, sd, strict=True)]


def own_noise_of_two(shared: Shared, weights: Reals) -> tuple[Known, Reals]:
    """Own noise of two recordings of equal gain and equal noise by band.

    Returns
    -------
    noise : Known
        Mean of both; NaN where the gains do not match well enough.
    mismatch : ndarray of shape (bands,)
        How far the gains may differ, as a power ratio less 1: what was measured and its chance.

    Notes
    -----
    With powers P11 and P22 of equal gain, ``N = sqrt(P11 P22) - |P12|`` (Holcomb 1989). A mismatch
    e of the gain's power falsifies a single N by e / 2 of the signal; the geometric mean is used
    here, and what is left is still bounded by the mismatch. Nothing is told where that bound
    exceeds a quarter of the noise.
    """

    def number(spectra: Spectra) -> Reals:
        both = np.sqrt((spectra[0, 0] * spectra[1, 1]).real)
        noise: Reals = weights @ (both - np.abs(spectra[0, 1]))
        return noise

    def gains(spectra: Spectra) -> Reals:
        one, other = (weights @ spectra[k, k].real for k in (0, 1))
        ratio: Reals = other / np.maximum(one, 1e-300)
        return ratio

    value, sd = shared.jackknife(number)
    ratio, ratio_sd = shared.jackknife(gains)
    mismatch = np.abs(ratio - 1) + 2 * ratio_sd
    signal = np.maximum(weights @ shared.whole()[0, 0].real - value, 0.0)
    noise = _known(value, sd)
    meaningless = mismatch / 2 * signal > 0.25 * np.maximum(value, 1e-300)
    for level in (noise.level_db, noise.low_db, noise.high_db):
        level[meaningless] = np.nan
    return noise, mismatch


def _known(power: Reals, sd: Reals) -> Known:
    reach = float(stdtrit(STRETCHES - 1, 0.975)) * sd
    known = power - reach > power / _MOST_FACTOR**2
    low, value, high = (
        np.where(known, 10 * np.log10(np.where(known, one, 1.0)), np.nan)
        for one in (power - reach, power, power + reach)
    )
    return Known(value, low, high)
