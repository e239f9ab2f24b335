"""How much more or less mains hum one build has than another, line by line and in all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from cleanchain.measure.levels import Levels

Reals = NDArray[np.float64]

#: Bins of a Hann window's main lobe with a margin, and bins beside it that tell its floor.
_LOBE, _SIDE = 3, 24
#: How far the mains may wander within a recording, Hz (common practice, no source).
_WANDER_HZ = 0.02
#: A hum is there from so many standard deviations on; below, only a bound is told.
_THERE_SD = 3.0
_PER_NEPER = 10 / math.log(10)


@dataclass(frozen=True)
class Power:
    """A measured power: mean square, full scale 1, and its standard deviation by chance."""

    power: float
    sd: float

    @property
    def there(self) -> bool:
        """Whether it is more than nothing beyond doubt."""
        return self.power > _THERE_SD * self.sd


@dataclass(frozen=True)
class HumDifference:
    """Hum of B less that of A.

    Parameters
    ----------
    mains_hz : float
        Frequency of the fundamental.
    a, b : Power
        All harmonics together, the mean of repeats.
    difference_db, low_db, high_db : float or None
        With its 95 % interval; where one of them has no hum only a bound is there.
    probability : float
        That chance alone, or the spread of repeats, makes such a difference.
    lines : tuple of (int, Power, Power)
        Every harmonic that is found in any capture, of A and of B.
    """

    mains_hz: float
    a: Power
    b: Power
    difference_db: float | None
    low_db: float | None
    high_db: float | None
    probability: float
    lines: tuple[tuple[int, Power, Power], ...]


def hum_difference(a: Sequence[Levels], b: Sequence[Levels]) -> HumDifference | None:
    """Compare the mains lines of captures.

    Parameters
    ----------
    a, b : sequence of Levels
        Captures of each build; with two or more of each, their own spread decides.

    Returns
    -------
    HumDifference or None
        None where no capture has any hum.
    """
    found = [one.split.mains_hz for one in (*a, *b) if one.split.mains_hz is not None]
    if not found:
        return None
    mains_hz = float(np.median(found))
    numbers = sorted(
        {
            line.harmonic
            for one in (*a, *b)
            for line in one.split.harmonics
            if line.harmonic is not None
        }
    )
    tables = [[_lines(one, numbers, mains_hz) for one in group] for group in (a, b)]
    sums = [[_sum(row) for row in table] for table in tables]
    difference, low, high, probability = _difference(sums[0], sums[1])
    means = [[_mean(column) for column in zip(*table, strict=True)] for table in tables]
    lines = tuple(zip(numbers, *means, strict=True))
    return HumDifference(
        mains_hz, _mean(sums[0]), _mean(sums[1]), difference, low, high, probability, lines
    )


def _lines(levels: Levels, numbers: Sequence[int], mains_hz: float) -> list[Power]:
    return [
        _line(levels, number * (levels.split.mains_hz or mains_hz), number) for number in numbers
    ]


def _line(levels: Levels, frequency_hz: float, harmonic: int) -> Power:
    """Power above the floor where a line is or would be."""
    spectrum = levels.spectrum
    psd, bin_hz = spectrum.psd[levels.channel], spectrum.bin_hz
    half = _LOBE + math.ceil(harmonic * _WANDER_HZ / bin_hz)
    centre = round(frequency_hz / bin_hz)
    low, high = max(centre - half, 0), min(centre + half + 1, psd.size)
    around = np.r_[max(low - _SIDE, 1) : low, high : min(high + _SIDE, psd.size)]
    free = around[levels.split.hiss[around] == psd[around]]
    floor = float(psd[free].mean()) if free.size else float(levels.split.hiss[centre])
    power = float((psd[low:high] - floor).sum()) * bin_hz
    # Neighbouring bins of a Hann window share 4/9 and 1/36 of their variance: 1.94 bins in one.
    width = high - low
    square = 1.94 * width * (1 + width / max(free.size, 1)) * 2 / spectrum.dof
    noise = math.sqrt(square) * floor * bin_hz
    # A sine of power P in noise of density S is known to 2 P S / T (Kay 1993, ch. 7).
    sd = math.sqrt(noise**2 + 2 * max(power, 0.0) * floor / spectrum.steady_seconds)
    return Power(power, sd)


def _sum(lines: Sequence[Power]) -> Power:
    return Power(sum(one.power for one in lines), math.sqrt(sum(one.sd**2 for one in lines)))


def _mean(repeats: Sequence[Power]) -> Power:
    count = len(repeats)
    return Power(_sum(repeats).power / count, _sum(repeats).sd / count)


def _difference(
    a: Sequence[Power], b: Sequence[Power]
) -> tuple[float | None, float | None, float | None, float]:
    """Difference, interval and probability, dB."""
    dof = len(a) + len(b) - 2
    repeated = min(len(a), len(b)) > 1
    if all(one.there for one in (*a, *b)):
        levels = [np.array([_PER_NEPER * math.log(one.power) for one in group]) for group in (a, b)]
        if repeated:
            square = sum(float(((row - row.mean()) ** 2).sum()) for row in levels) / dof
            sd = math.sqrt(square * (1 / len(a) + 1 / len(b)))
            reach = float(stdtrit(dof, 0.975))
        else:
            sd = _PER_NEPER * math.hypot(a[0].sd / a[0].power, b[0].sd / b[0].power)
            reach = float(ndtri(0.975))
        difference = float(levels[1].mean() - levels[0].mean())
        score = -abs(difference) / max(sd, 1e-12)
        probability = 2 * float(stdtr(dof, score) if repeated else ndtr(score))
        return difference, difference - reach * sd, difference + reach * sd, probability
    one, other = _mean(a), _mean(b)
    sd = math.hypot(one.sd, other.sd)
    probability = 2 * float(ndtr(-abs(other.power - one.power) / max(sd, 1e-300)))
    if one.there:
        most = max(other.power, 0.0) + 1.645 * other.sd
        return None, None, _PER_NEPER * math.log(most / one.power), probability
    if other.there:
        most = max(one.power, 0.0) + 1.645 * one.sd
        return None, _PER_NEPER * math.log(other.power / most), None, probability
    return None, None, None, probability
