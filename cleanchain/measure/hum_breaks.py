"""Where a hum sets in or stops: switched lamps, edits, a lead that is touched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum_cells import STRIDE, cycles_along
from cleanchain.measure.hum_periods import Periods
from cleanchain.operators.harmonics import Amplitudes, Reals, turned_back

#: Periods before and after a break that are compared.
_SIDE = 16
#: A break is a change of the level by this much, by so many standard deviations.
_LEAST_CHANGE, _CLEAR_SD = 0.25, 7.0
#: Of the change, how much happens within three periods: a swell is no break.
_SUDDEN = 0.7
#: Periods that are looked at together.
_SOME = 4096


def find_breaks(periods: Periods, shape: Amplitudes, noise: Reals, phase: Reals) -> tuple[int, ...]:
    """Find the periods at which the level of a hum jumps.

    Parameters
    ----------
    periods : Periods
        Amplitudes, period by period.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes of the hum at a level of one.
    noise : ndarray of shape (channels, harmonics)
        Power of all else, in any unit.
    phase : ndarray of shape (cells,)
        Path of the mains phase beyond that of the periods, rad.

    Returns
    -------
    tuple of int
        Number of the first period after each jump, ascending.
    """
    if periods.count < 2 * _SIDE + 2:
        return ()
    cycles = cycles_along(periods, phase)
    weight = shape.conj() / noise / float((np.abs(shape) ** 2 / noise).sum())
    edges, merits = [], []
    for first in range(_SIDE, periods.count - _SIDE + 1, _SOME):
        last = min(first + _SOME, periods.count - _SIDE + 1)
        low, high = first - _SIDE, last - 1 + _SIDE
        turn = turned_back(cycles(low, high), periods.harmonics)
        part = periods.part(low, high)
        level = np.einsum("ch,ckh,kh->k", weight, part, turn, optimize=True).real
        merit = _merit(level)
        clear = np.flatnonzero(merit)
        edges.append(first + clear)
        merits.append(merit[clear])
    edge, merit = np.concatenate(edges), np.concatenate(merits)
    found: list[int] = []
    while merit.any():
        best = int(edge[merit.argmax()])
        found.append(best)
        merit[np.abs(edge - best) <= _SIDE] = 0.0
    return tuple(sorted(found))


def _merit(level: Reals) -> Reals:
    """How clearly a level jumps at each period that has `_SIDE` before it and after."""
    sums = np.concatenate([[0.0], np.cumsum(level)])
    squares = np.concatenate([[0.0], np.cumsum(level**2)])
    edges = np.arange(_SIDE, level.size - _SIDE + 1)

    def side(first: NDArray[np.int_], last: NDArray[np.int_]) -> tuple[Reals, Reals]:
        size = last - first
        mean = (sums[last] - sums[first]) / size
        return mean, np.maximum((squares[last] - squares[first]) / size - mean**2, 0.0)

    before, spread_before = side(edges - _SIDE, edges)
    after, spread_after = side(edges, edges + _SIDE)
    change = np.abs(after - before)
    sd = np.sqrt((spread_before + spread_after) / _SIDE) + 1e-9
    near_before, _ = side(edges - 3, edges)
    near_after, _ = side(edges, edges + 3)
    sudden = np.abs(near_after - near_before) > _SUDDEN * change
    clear = (change > np.maximum(_LEAST_CHANGE, _CLEAR_SD * sd)) & sudden
    merit: Reals = np.where(clear, change / sd, 0.0)
    return merit


def find_jump(periods: Periods, shape: Amplitudes, noise: Reals, phase: Reals, cell: int) -> int:
    """Find the period at which the phase jumps, near the cell at which another path begins.

    Parameters
    ----------
    periods, shape, noise
        See `find_breaks`.
    phase : ndarray of shape (cells,)
        rad.
    cell : int
        First cell of the path after the jump, give or take one.

    Returns
    -------
    int
        Number of the first period after the jump: what lies before agrees best with the phase
        before, what follows with that after. Strictly between the centres of the first and the
        last cell.
    """
    low, high = max((cell - 2) * STRIDE, 0), min((cell + 2) * STRIDE, periods.count)
    sides = phase[max(cell - 2, 0)], phase[min(cell + 1, phase.size - 1)]
    turn = np.exp(-1j * np.multiply.outer(sides, periods.harmonics))
    weight = shape.conj() / noise
    before, after = np.einsum(
        "ch,ckh,sh->sk", weight, periods.part(low, high), turn, optimize=True
    ).real
    gain = np.concatenate([[0.0], np.cumsum(before)]) - np.concatenate([[0.0], np.cumsum(after)])
    best = low + int(gain.argmax())
    return int(np.clip(best, STRIDE // 2 + 1, max((phase.size - 1) * STRIDE, STRIDE // 2 + 1)))
