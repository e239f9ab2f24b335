"""Whether the gain was moved between two captures: their floors and lines as a fingerprint."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.levels import Estimates, Levels

Reals = NDArray[np.float64]

#: A smaller move is not told, dB, nor one below so many standard deviations.
LEAST_DB, _SURE_SD = 0.5, 4.0
#: What agrees within this besides chance has moved alike, dB; so many parts at least must agree.
_ALIKE_DB, _FEWEST = 0.15, 3
#: Powers heard over the residual that differ by so much cannot lift it alike, dB; what is heard
#: below a tenth of it lifts it no more.
_DIFFERENT_DB, _LEAST_HEARD = 10.0, 0.1
#: A floor stands over the interface's from so many standard deviations on.
_OVER_SD = 5.0
_PER_NEPER = 10 / np.log(10)


@dataclass(frozen=True)
class GainMove:
    """How the level of everything common changed from one capture to another.

    Parameters
    ----------
    move_db, sd_db : float
        Change and its standard deviation.
    parts : int
        How many bands and lines agree on it.
    of : int
        How many there were.
    """

    move_db: float
    sd_db: float
    parts: int
    of: int

    @property
    def moved(self) -> bool:
        """Whether the gain was moved beyond doubt."""
        return abs(self.move_db) >= LEAST_DB and abs(self.move_db) > _SURE_SD * self.sd_db


def compare_floors(one: Levels, other: Levels, bands: bool = True) -> GainMove | None:
    """Compare two captures of the same noise.

    Parameters
    ----------
    one, other : Levels
        Earlier and later capture.
    bands : bool, optional
        Whether the hiss is the same noise in both; False where a noise was played in one of them,
        so that only the mains lines can tell.

    Returns
    -------
    GainMove or None
        None where fewer than three bands and lines agree: the noise itself has changed, or there
        is too little of it.
    """
    change, variance = _lines(one, other)
    if bands:
        hiss, chance = _changes(one.band_hiss, other.band_hiss)
        change, variance = np.append(change, hiss), np.append(variance, chance)
    return agreement(change, variance)


def compare_residual(silence: Estimates, residual: Estimates, heard: Estimates) -> GainMove | None:
    """Compare a silence with what a listening capture holds besides the played noise.

    Parameters
    ----------
    silence, residual, heard : Estimates
        In the same bands, silence and residual without lines.

    Notes
    -----
    What rings on for longer than a segment of the transfer counts as residual and lifts it by a
    part of what is heard. So bands are believed where they agree although very different amounts
    are heard in them, else only those in which less is heard than the floor.
    """
    known = (residual.power > 0) & (residual.variance < residual.power**2)
    change, variance = (one[known] for one in _changes(silence, residual))
    ratio = heard.power[known] / residual.power[known]
    found = _agreement(change, variance)
    if found:
        over_db = 10 * np.log10(np.maximum(ratio[found[1]], _LEAST_HEARD))
        if np.ptp(over_db) >= _DIFFERENT_DB:
            return found[0]
    quiet = ratio < 1
    return agreement(change[quiet], variance[quiet])


def above(floor: Estimates, interface: Estimates) -> Estimates:
    """Return what a floor holds over that of the interface, nothing where chance may make it.

    What the interface adds behind its gain stays when the gain is moved.
    """
    power = floor.power - interface.power
    variance = floor.variance + interface.variance
    return Estimates(np.where(power > _OVER_SD * np.sqrt(variance), power, 0.0), variance)


def _lines(one: Levels, other: Levels) -> tuple[Reals, Reals]:
    theirs = {line.harmonic: line for line in other.split.harmonics}
    pairs = [
        (line, theirs[line.harmonic]) for line in one.split.harmonics if line.harmonic in theirs
    ]
    change = [10 * np.log10(b.power / a.power) for a, b in pairs]
    variance = [_PER_NEPER**2 * ((a.sd / a.power) ** 2 + (b.sd / b.power) ** 2) for a, b in pairs]
    return np.array(change, dtype=float), np.array(variance, dtype=float)


def _changes(one: Estimates, other: Estimates) -> tuple[Reals, Reals]:
    there = (one.power > 1e-16) & (other.power > 1e-16)
    a, b = np.where(there, one.power, 1.0), np.where(there, other.power, 1.0)
    variance = _PER_NEPER**2 * (one.variance / a**2 + other.variance / b**2)
    return 10 * np.log10(b / a), np.where(there, variance, 1e6)


def agreement(change: Reals, variance: Reals) -> GainMove | None:
    """Mean of the changes on which most agree."""
    found = _agreement(change, variance)
    return found and found[0]


def _agreement(change: Reals, variance: Reals) -> tuple[GainMove, NDArray[np.bool_]] | None:
    """Mean of the changes on which most agree, and which ones do."""
    if change.size < _FEWEST:
        return None
    sd = np.sqrt(variance + _ALIKE_DB**2)
    votes = np.exp(-0.5 * ((change - change[:, None]) / sd) ** 2) / sd
    centre = change[int(np.argmax(votes.sum(axis=1)))]
    agree = np.abs(change - centre) < 3 * sd
    if agree.sum() < max(_FEWEST, change.size / 2):
        return None
    weight = 1 / (variance[agree] + _ALIKE_DB**2)
    move = float((weight * change[agree]).sum() / weight.sum())
    move_sd = float(1 / np.sqrt(weight.sum()))
    return GainMove(move, move_sd, int(agree.sum()), int(change.size)), agree
