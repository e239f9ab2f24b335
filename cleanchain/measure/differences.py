"""Differences of two spectra in third-octave bands, with what chance does to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtr, fdtri, stdtr, stdtrit

from cleanchain.measure.spectrum import Spectrum

Reals = NDArray[np.float64]

#: Third octaves from 20 Hz to 20 kHz: numbers x of 1000 * 10**(x / 10) (IEC 61260-1:2014).
_FIRST_BAND, _LAST_BAND = -17, 13
#: Probability that any band of the family is said to differ where none does.
FALSE_ALARM = 0.05
#: Smallest density that is counted, so that digital silence has a level.
_LEAST = 1e-30


@dataclass(frozen=True, eq=False)
class BandPowers:
    """Power of one channel in third octaves.

    Parameters
    ----------
    centre_hz : ndarray of shape (bands,)
        Exact mid-band frequencies.
    power : ndarray of shape (bands,)
        Mean square of full scale 1.
    dof : ndarray of shape (bands,)
        Equivalent degrees of freedom. A band that a hum line fills has hardly more than those of
        one bin: its interval is wider than a steady line needs, never narrower.
    seconds : float
        Length that was measured.
    """

    centre_hz: Reals
    power: Reals
    dof: Reals
    seconds: float


@dataclass(frozen=True, eq=False)
class Differences:
    """Level of B less that of A in every band, dB, with 95 % intervals; all of shape (bands,)."""

    centre_hz: Reals
    difference_db: Reals
    low_db: Reals
    high_db: Reals
    differs: NDArray[np.bool_]


def band_powers(spectrum: Spectrum, channel: int = 0) -> BandPowers:
    """Sum a spectrum over the third octaves that lie below half the sampling rate."""
    numbers = np.arange(_FIRST_BAND, _LAST_BAND + 1)
    centre = 1000 * 10 ** (numbers / 10)
    centre = centre[centre * 10**0.05 <= spectrum.rate_hz / 2]
    low, high = centre / 10**0.05, centre * 10**0.05
    bins, width = spectrum.frequency_hz, spectrum.bin_hz
    top = np.minimum(high[:, None], bins + width / 2)
    part = np.clip(top - np.maximum(low[:, None], bins - width / 2), 0, None)
    weights = part * np.maximum(spectrum.psd[channel], _LEAST)
    hop = spectrum.frame_frames * (1 - spectrum.overlap)
    frames = spectrum.frame_frames + (spectrum.segments - 1) * hop
    return BandPowers(
        centre, weights.sum(axis=1), spectrum.sum_dof(weights), frames / spectrum.rate_hz
    )


def differences(a: BandPowers, b: BandPowers) -> Differences:
    """Compare one capture of each build.

    Notes
    -----
    The ratio of two powers follows the F distribution with their degrees of freedom. Which bands
    differ is decided over all of them together (Holm 1979); the intervals are of single bands.
    """
    ratio = b.power / a.power
    lower = fdtr(b.dof, a.dof, ratio)
    probability = 2 * np.minimum(lower, 1 - lower)
    return Differences(
        a.centre_hz,
        10 * np.log10(ratio),
        10 * np.log10(ratio / fdtri(b.dof, a.dof, 0.975)),
        10 * np.log10(ratio / fdtri(b.dof, a.dof, 0.025)),
        holm(probability),
    )


def repeated_differences(a: Sequence[BandPowers], b: Sequence[BandPowers]) -> Differences:
    """Compare repeated captures by their own spread.

    The variance of a capture is that between repeats, or what chance alone explains where that is
    larger; Student's t with the degrees of freedom of the repeats.
    """
    if min(len(a), len(b)) < 2:
        raise ValueError("repeats need at least two captures of each build")
    means, square = [], np.zeros(a[0].power.size)
    for group in (a, b):
        levels = np.array([10 * np.log10(powers.power) for powers in group])
        # 10 lg of a chi-square mean of n degrees of freedom varies by 2 (4.34)^2 / n.
        chance = np.mean([2 * (10 / np.log(10)) ** 2 / powers.dof for powers in group], axis=0)
        square += np.maximum(levels.var(axis=0, ddof=1), chance) / len(group)
        means.append(levels.mean(axis=0))
    dof = len(a) + len(b) - 2
    difference, sd = means[1] - means[0], np.sqrt(square)
    reach = stdtrit(dof, 0.975) * sd
    probability = 2 * stdtr(dof, -np.abs(difference) / sd)
    return Differences(
        a[0].centre_hz, difference, difference - reach, difference + reach, holm(probability)
    )


def holm(probability: Reals, level: float = FALSE_ALARM) -> NDArray[np.bool_]:
    """Decide which of many tests reject, at most `level` of families wrongly (Holm 1979)."""
    order = np.argsort(probability)
    limits = level / np.arange(probability.size, 0, -1)
    failed = probability[order] > limits
    first = int(np.argmax(failed)) if failed.any() else probability.size
    rejected = np.zeros(probability.size, dtype=bool)
    rejected[order[:first]] = True
    return rejected


def seconds_to_settle(a: BandPowers, b: BandPowers, difference_db: float = 1.0) -> float:
    """Length of each capture that would show a difference in the median band, s.

    Nine times in ten, over the whole family of bands by Bonferroni's bound: the distance of the
    two quantiles (normal, from memory 3.15 and 1.28 for 31 bands) in standard deviations.
    """
    variance = 2 * (10 / np.log(10)) ** 2 * (1 / a.dof + 1 / b.dof)
    needed = variance * ((3.15 + 1.28) / difference_db) ** 2
    return float(np.median(needed) * min(a.seconds, b.seconds))
