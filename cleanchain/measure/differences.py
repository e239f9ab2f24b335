"""Differences of noises in third octaves and octaves, with what chance does to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtr, fdtri, ndtr, ndtri, psi, stdtr, stdtrit

from cleanchain.measure.band_powers import BandPowers

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Probability that anything at all is said to differ where nothing does.
FALSE_ALARM = 0.05
#: How that is shared out between octaves, third octaves and the hum.
OCTAVE_SHARE, THIRD_SHARE, HUM_SHARE = 0.8, 0.15, 0.05
#: How often a difference is to be found for a capture to be called long enough.
POWER = 0.9
#: A difference with a larger standard deviation, dB, is none.
UNKNOWN_DB = 4.0
#: Repeats are said to scatter by more than chance where chance alone does so this seldom.
_SCATTER = 0.2
_PER_NEPER = 10 / np.log(10)


@dataclass(frozen=True, eq=False)
class Differences:
    """Level of B less that of A, dB, in bands of one kind; all arrays of shape (bands,).

    Parameters
    ----------
    low_hz, centre_hz, high_hz : ndarray
        Edges and exact mid-band frequencies.
    difference_db, low_db, high_db : ndarray
        With its 95 % interval, each band for itself.
    sd_db : ndarray
        Standard deviation of the difference by chance or, with repeats, by their spread.
    probability : ndarray
        That chance alone makes a difference as large.
    share : float
        Of the false alarms that are allowed in all, what these bands may use.
    differs : ndarray of bool
        Set by `decide`, over all bands together.
    """

    low_hz: Reals
    centre_hz: Reals
    high_hz: Reals
    difference_db: Reals
    low_db: Reals
    high_db: Reals
    sd_db: Reals
    probability: Reals
    share: float
    differs: Flags

    @property
    def weights(self) -> Reals:
        """Share of every band: the less sure it is, the more, so that the sure ones leave room.

        They lose next to nothing by this: 0.1 dB at 10 kHz still stands out. The low bands, which
        decide how long a capture must be, gain.
        """
        unsure = np.where(self.known, self.sd_db**3, 1e-12)
        weights: Reals = self.share * unsure / unsure.sum()
        return weights

    @property
    def known(self) -> Flags:
        """Bands of which anything is known; lines may hide all the hiss there is in one."""
        known: Flags = self.sd_db < UNKNOWN_DB
        return known


def differences(a: BandPowers, b: BandPowers) -> Differences:
    """Compare one capture of each build, third octave by third octave.

    Notes
    -----
    The ratio of two powers of noise follows the F distribution with their degrees of freedom.
    """
    ratio = b.power / a.power
    lower = fdtr(b.dof, a.dof, ratio)
    upper = fdtr(a.dof, b.dof, 1 / ratio)
    return Differences(
        a.low_hz,
        a.centre_hz,
        a.high_hz,
        10 * np.log10(ratio),
        10 * np.log10(ratio / fdtri(b.dof, a.dof, 0.975)),
        10 * np.log10(ratio / fdtri(b.dof, a.dof, 0.025)),
        np.sqrt(a.variance_db2 + b.variance_db2),
        np.minimum(2 * np.minimum(lower, upper), 1.0),
        THIRD_SHARE,
        np.zeros(ratio.size, dtype=bool),
    )


def octave_differences(a: BandPowers, b: BandPowers) -> Differences:
    """Compare one capture of each build over every three neighbouring third octaves.

    Notes
    -----
    The mean of the three differences, the sure ones counting more: a slope inside the octave takes
    nothing from what is known. The logarithm of a power of n degrees of freedom has the mean
    ``psi(n / 2) - ln(n / 2)`` and the variance ``psi'(n / 2)``.
    """
    third = 10 * np.log10(b.power / a.power)
    bias = [psi(one.dof / 2) - np.log(one.dof / 2) for one in (a, b)]
    weight = 1 / (a.variance_db2 + b.variance_db2)
    total = _threes(weight)
    mean = _threes(weight * (third - _PER_NEPER * (bias[1] - bias[0]))) / total
    sd = 1 / np.sqrt(total)
    return _octaves(a, mean, sd, float(ndtri(0.975)), 2 * ndtr(-np.abs(mean) / sd))


def repeated_differences(
    a: Sequence[BandPowers], b: Sequence[BandPowers]
) -> tuple[Differences, Differences, bool]:
    """Compare repeated captures, A B A B, by their own spread.

    Parameters
    ----------
    a, b : sequence of BandPowers
        Two or more of each.

    Returns
    -------
    thirds, octaves : Differences
        By Student's t where the repeats scatter by more than chance explains; else all captures
        of a build are one long one.
    scatter : bool
        Whether they do.
    """
    if min(len(a), len(b)) < 2:
        raise ValueError("repeats need at least two captures of each build")
    if not _scatter((a, b)):
        joined = _joined(a), _joined(b)
        return differences(*joined), octave_differences(*joined), False
    levels = [np.array([10 * np.log10(one.power) for one in group]) for group in (a, b)]
    weight = 1 / (a[0].variance_db2 + b[0].variance_db2)
    total = _threes(weight)
    octaves = [np.array([_threes(weight * row) / total for row in group]) for group in levels]
    dof = len(a) + len(b) - 2
    reach = float(stdtrit(dof, 0.975))
    mean, sd = _spread(levels)
    thirds = Differences(
        a[0].low_hz,
        a[0].centre_hz,
        a[0].high_hz,
        mean,
        mean - reach * sd,
        mean + reach * sd,
        sd,
        2 * stdtr(dof, -np.abs(mean) / sd),
        THIRD_SHARE,
        np.zeros(mean.size, dtype=bool),
    )
    mean, sd = _spread(octaves)
    return thirds, _octaves(a[0], mean, sd, reach, 2 * stdtr(dof, -np.abs(mean) / sd)), True


def decide(
    families: Sequence[Differences],
    singles: Sequence[tuple[float, float]] = (),
    level: float = FALSE_ALARM,
) -> tuple[list[Differences], list[bool]]:
    """Decide what differs, over all bands of all families together.

    Parameters
    ----------
    families : sequence of Differences
        Third octaves and octaves, of as many pairs of builds as are compared.
    singles : sequence of (float, float), optional
        Probability and share of more tests, those of the hum.
    level : float, optional
        Probability that anything is said to differ where nothing does.

    Returns
    -------
    families : list of Differences
        With `differs` set.
    singles : list of bool
        Whether the other tests differ.
    """
    if not families:
        return [], []
    probability = [np.array([one[0] for one in singles]), *(one.probability for one in families)]
    weights = [np.array([one[1] for one in singles]), *(one.weights for one in families)]
    rejected = weighted_holm(np.concatenate(probability), np.concatenate(weights), level)
    out, start = [], len(singles)
    for family in families:
        stop = start + family.probability.size
        out.append(replace(family, differs=rejected[start:stop]))
        start = stop
    return out, [bool(one) for one in rejected[: len(singles)]]


def weighted_holm(probability: Reals, weights: Reals, level: float = FALSE_ALARM) -> Flags:
    """Decide which of many tests reject, at most `level` of families wrongly.

    Parameters
    ----------
    probability, weights : ndarray of shape (tests,)
        Weights > 0; only their ratios count.

    Notes
    -----
    Holm 1979, Scandinavian Journal of Statistics 6:65-70, section 4: tests of unequal importance.
    """
    order = np.argsort(probability / weights)
    left = np.cumsum(weights[order][::-1])[::-1]
    failed = probability[order] > level * weights[order] / left
    first = int(np.argmax(failed)) if failed.any() else probability.size
    rejected = np.zeros(probability.size, dtype=bool)
    rejected[order[:first]] = True
    return rejected


def seconds_to_settle(octaves: Differences, seconds: float, difference_db: Reals) -> Reals:
    """Length of each capture that would show a difference nine times in ten, s.

    Parameters
    ----------
    octaves : Differences
        As they were compared, by chance alone.
    seconds : float
        Length of the captures, the shorter one.
    difference_db : ndarray of shape (octaves,)
        The difference that is to be found in each.

    Notes
    -----
    The variance falls as the length grows; the limit is that of the first step of `weighted_holm`.
    """
    limit = FALSE_ALARM * octaves.weights / (OCTAVE_SHARE + THIRD_SHARE + HUM_SHARE)
    needed = (-ndtri(limit / 2) + ndtri(POWER)) * octaves.sd_db
    squared: Reals = (needed / np.maximum(np.abs(difference_db), 1e-6)) ** 2
    return seconds * squared


def _octaves(
    like: BandPowers, mean: Reals, sd: Reals, reach: float, probability: Reals
) -> Differences:
    return Differences(
        like.low_hz[:-2],
        like.centre_hz[1:-1],
        like.high_hz[2:],
        mean,
        mean - reach * sd,
        mean + reach * sd,
        sd,
        probability,
        OCTAVE_SHARE,
        np.zeros(mean.size, dtype=bool),
    )


def _threes(values: Reals) -> Reals:
    """Sum every three neighbours, shape (bands - 2,)."""
    return values[:-2] + values[1:-1] + values[2:]


def _spread(groups: Sequence[Reals]) -> tuple[Reals, Reals]:
    """Difference of the means of B and A, and its standard deviation by a spread in common."""
    dof = sum(len(group) - 1 for group in groups)
    square = sum((len(group) - 1) * group.var(axis=0, ddof=1) for group in groups) / dof
    sd: Reals = np.sqrt(square * sum(1 / len(group) for group in groups))
    mean: Reals = groups[1].mean(axis=0) - groups[0].mean(axis=0)
    return mean, np.maximum(sd, 1e-12)


def _scatter(groups: Sequence[Sequence[BandPowers]]) -> bool:
    """Whether captures of one build differ by more than chance explains, in all or in any band."""
    square = np.zeros(groups[0][0].power.size)
    dof = 0
    for group in groups:
        levels = np.array([10 * np.log10(one.power) for one in group])
        chance = np.mean([one.variance_db2 for one in group], axis=0)
        square += (len(group) - 1) * levels.var(axis=0, ddof=1) / chance
        dof += len(group) - 1
    whole = float(chdtrc(dof * square.size, square.sum()))
    worst = float(chdtrc(dof, square.max())) * square.size
    return min(whole, worst) < _SCATTER / 2


def _joined(group: Sequence[BandPowers]) -> BandPowers:
    """All captures of a build as one."""
    dof = np.array([one.dof for one in group])
    power = np.array([one.power for one in group])
    return replace(
        group[0],
        power=(dof * power).sum(axis=0) / dof.sum(axis=0),
        dof=dof.sum(axis=0),
        seconds=sum(one.seconds for one in group),
    )
