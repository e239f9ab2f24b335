"""Where a hum sets in, stops or jumps, to about a period: lamps, edits, a lead that is touched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum_cells import STRIDE
from cleanchain.measure.hum_levels import COHERENCE
from cleanchain.measure.hum_periods import Periods
from cleanchain.operators.harmonics import Amplitudes, Reals

#: Periods before and after a break that are compared: at least, and at most.
_LEAST_SIDE, _SIDE = 24, 64
#: A break is a change of the level by this much, by so many standard deviations.
_LEAST_CHANGE, _CLEAR_SD = 0.25, 5.5


def find_breaks(
    above: Reals, below: Reals, known: tuple[int, ...]
) -> list[tuple[int, Reals, Reals]]:
    """Find the periods around which the level of a hum changes.

    Parameters
    ----------
    above, below : ndarray of shape (channels, periods)
        Product of what is seen with the hum, and power of the hum, over the noise of a period.
    known : tuple of int
        Periods of breaks that are known; none is looked for near them, nor across them.

    Returns
    -------
    list of (int, ndarray, ndarray)
        Number of the first period after each break, and the levels before and after it, each of
        shape (channels,); the clearest first.
    """
    count = above.shape[1]
    edges = np.array([0, *known, count])
    place = np.arange(_LEAST_SIDE, count - _LEAST_SIDE + 1)
    if place.size == 0:
        return []
    stretch = np.searchsorted(edges, place, side="right")
    low = np.maximum(place - _SIDE, edges[stretch - 1])
    high = np.minimum(place + _SIDE, edges[np.minimum(stretch, edges.size - 1)])
    top, bottom = (np.pad(np.cumsum(one, axis=1), ((0, 0), (1, 0))) for one in (above, below))

    def side(first: NDArray[np.int_], last: NDArray[np.int_]) -> tuple[Reals, Reals]:
        info = bottom[:, last] - bottom[:, first] + 1e-9
        return (top[:, last] - top[:, first]) / info, 1 / info

    before, spread_before = side(low, place)
    after, spread_after = side(place, high)
    change = np.abs(after - before)
    sure = change / np.sqrt(COHERENCE * (spread_before + spread_after))
    clear = (change > _LEAST_CHANGE) & (sure > _CLEAR_SD)
    room = np.minimum(place - low, high - place) >= _LEAST_SIDE
    merit = np.where(clear & room, sure, 0.0).max(axis=0)
    found: list[tuple[int, Reals, Reals]] = []
    while merit.any():
        best = int(merit.argmax())
        one, other = before[:, best], after[:, best]
        found.append((_likeliest(above, below, low[best], high[best], one, other), one, other))
        merit[np.abs(place - place[best]) < _SIDE] = 0.0
    return found


def _likeliest(above: Reals, below: Reals, low: int, high: int, before: Reals, after: Reals) -> int:
    """Return the period, low < k < high, from which on a level is likeliest another one."""
    part = slice(low, high)
    squares = [
        (2 * level[:, None] * above[:, part] - level[:, None] ** 2 * below[:, part]).sum(axis=0)
        for level in (before, after)
    ]
    gain = np.cumsum(squares[0] - squares[1])
    return int(low) + 1 + int(gain[:-1].argmax())


def find_jump(periods: Periods, shape: Amplitudes, noise: Reals, phase: Reals, cell: int) -> int:
    """Find the period at which the phase jumps, near the cell at which another path begins.

    Parameters
    ----------
    periods, shape, noise
        Amplitudes period by period, the hum at a level of one, and the power of all else on each
        line, in any unit.
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
