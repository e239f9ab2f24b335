"""The waveform of a hum in a take, once the path of the mains is known from elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum import THERE_SD, HumModel, is_hum
from cleanchain.measure.hum_cells import Cells, some_at_a_time
from cleanchain.measure.mains_phase import PHASES, Floats, pulls, votes_for
from cleanchain.operators.harmonics import Amplitudes, Reals

#: How much of what is left in quiet cells widens the weights, in one round after the other.
_WIDER = (1.0,) * 12 + (0.0,) * 12
#: Power of cells that overlap, in a mean of many, over that of as many that do not.
_OVERLAP = 1.5
#: Standard deviations from zero of a harmonic that the reference does not have.
_ALONE_SD = 10.0
#: Part of the cells that is taken for free of notes.
_QUIET = 0.2
#: Sum of votes, in standard deviations of one by chance, from which an offset is believed.
_BELIEVED_SD = 6.0
#: Cells of a stretch that must agree on the offset, and by how much it may differ, rad.
_STRETCH, _IN_STEP = 24, 0.25


def learn_along(
    cells: Cells, mains_hz: float, mains_sd_hz: float, known: Sequence[int], leak: float
) -> HumModel | None:
    """Learn a hum among notes by coherent least squares along a known path.

    Parameters
    ----------
    cells : Cells
        Seen along the path, all of the take.
    mains_hz, mains_sd_hz : float
        Of the path.
    known : sequence of int
        Harmonics that the hum is known to have elsewhere; others must be the clearer.
    leak : float
        See `cleanchain.measure.hum.leak_of`.

    Returns
    -------
    HumModel or None
        None where no hum keeps in step with the path.

    Notes
    -----
    A cell weighs as much as it lies near the amplitude that is sought, by the weights of a Cauchy
    distribution as wide as what sounds beside the line: quiet moments decide, and notes, which do
    not keep the phase of the mains, cancel. At first it is wider, by what is left in quiet cells: a
    drone that turns around the line all the time cancels in the mean only.
    """
    seen, beside = cells.seen, cells.beside.astype(np.float64) + 1e-24
    weight = 1 / (beside + np.abs(seen) ** 2)
    for more in _WIDER:
        amplitudes = (weight * seen).sum(axis=1) / weight.sum(axis=1)
        away = np.abs(seen - amplitudes[:, None]) ** 2
        usual = np.quantile(away, _QUIET, axis=1, keepdims=True)
        weight = 1 / (beside + more * usual + away)
    sd = np.sqrt(_OVERLAP * (weight**2 * away).sum(axis=1)) / weight.sum(axis=1)
    noise = np.quantile(beside, _QUIET, axis=1)
    numbers = tuple(int(one) for one in cells.harmonics)
    model = HumModel(mains_hz, mains_sd_hz, numbers, amplitudes, noise, sd)
    size = np.abs(amplitudes)
    least_sd = np.where(np.isin(numbers, known), THERE_SD, _ALONE_SD)
    there = (size / sd > least_sd) & (size > leak * size.max(axis=1, keepdims=True))
    # In a channel that does not have a line, what chance left of it would only be put in.
    kept = replace(model, amplitudes=np.where(there, amplitudes, 0.0)).keep(there.any(axis=0))
    return kept if there.any() and is_hum(kept) else None


def find_offset(cells: Cells, shape: Amplitudes, noise: Floats, say: Reals) -> float | None:
    """Find how far a waveform's own phase lies from that of a path, one number for all of a take.

    Parameters
    ----------
    cells : Cells
        Seen along the path.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes at a phase of zero.
    noise : ndarray of shape (channels, cells, harmonics)
        Power of all else.
    say : ndarray of shape (cells,)
        How much each cell counts.

    Returns
    -------
    float or None
        rad; None where no phase gathers more votes than chance would.
    """
    total, squares = np.zeros(PHASES), 0.0
    for some in some_at_a_time(cells.count):
        votes = votes_for(cells.part(some), shape, noise[:, some]) * say[some, None]
        total += votes.sum(axis=0, dtype=np.float64)
        squares += float((votes.astype(np.float64) ** 2).mean(axis=1).sum())
    chance = float(np.sqrt(_OVERLAP * squares))
    best = int(total.argmax())
    return None if total[best] < _BELIEVED_SD * chance else 2 * np.pi * best / total.size


def offset_steps(
    cells: Cells, shape: Amplitudes, level: Reals, noise: Floats, phase: Reals
) -> tuple[float, NDArray[np.bool_]]:
    """Find by how much a path must be turned as a whole, and where it is out of step.

    Parameters
    ----------
    cells : Cells
        What is seen.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes of the hum at a phase of zero and a level of one.
    level : ndarray of shape (channels, cells)
        Of the hum.
    noise : ndarray of shape (channels, cells, harmonics)
        Power of all else.
    phase : ndarray of shape (cells,)
        rad.

    Returns
    -------
    turn : float
        rad.
    out : ndarray of bool, shape (stretches,)
        Stretches of some seconds that would be turned elsewhere, beyond doubt.
    """
    slope, info = pulls(cells, shape, level, noise, phase)
    turn = float(slope.sum() / max(info.sum(), 1e-12))
    starts = np.arange(0, max(cells.count - _STRETCH // 2, 1), _STRETCH)
    slopes, infos = (np.add.reduceat(one, starts) for one in (slope - turn * info, info))
    own = slopes / np.maximum(infos, 1e-12)
    sure = infos * (_IN_STEP / 3) ** 2 > _OVERLAP
    return turn, sure & (np.abs(own) > _IN_STEP)
