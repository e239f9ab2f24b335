"""Where a hum sets in or stops: switched lamps, edits, a lead that is touched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum_cells import STRIDE, stretchwise
from cleanchain.operators.harmonics import Amplitudes, HarmonicFrames, Reals, turned

#: Periods before and after a break that are compared.
_SIDE = 16
#: A break is a change of the level by this much, by so many standard deviations.
_LEAST_CHANGE, _CLEAR_SD = 0.25, 7.0
#: Of the change, how much happens within three periods: a swell is no break.
_SUDDEN = 0.7


def find_breaks(
    periods: NDArray[np.complex64],
    frames: HarmonicFrames,
    shape: Amplitudes,
    noise: Reals,
    phase: Reals,
    step_s: float,
) -> tuple[int, ...]:
    """Find the periods at which the level of a hum jumps.

    Parameters
    ----------
    periods : ndarray of complex, shape (channels, periods, harmonics)
        Amplitudes, period by period.
    frames : HarmonicFrames
        They were cut with.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes of the hum at a level of one.
    noise : ndarray of shape (channels, harmonics)
        Power of all else, in any unit.
    phase : ndarray of shape (cells,)
        Path of the mains phase beyond that of ``frames``, rad, one value each ``step_s``.
    step_s : float
        Seconds.

    Returns
    -------
    tuple of int
        Number of the first period after each jump, ascending.
    """
    count = periods.shape[1]
    if count < 2 * _SIDE + 2:
        return ()
    cycles = stretchwise(phase, step_s, frames.seconds(count), ()) / (2 * np.pi)
    weight = shape.conj() / noise
    level = np.zeros(count)
    for low in range(0, count, 4096):
        turn = turned(cycles[low : low + 4096], frames.harmonics).conj()
        level[low : low + 4096] = np.einsum(
            "ch,ckh,kh->k", weight, periods[:, low : low + 4096], turn, optimize=True
        ).real
    level /= float((np.abs(shape) ** 2 / noise).sum())
    sums = np.concatenate([[0.0], np.cumsum(level)])
    squares = np.concatenate([[0.0], np.cumsum(level**2)])
    edges = np.arange(_SIDE, count - _SIDE + 1)

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
    merit = np.where(clear, change / sd, 0.0)
    found: list[int] = []
    while merit.any():
        best = int(merit.argmax())
        found.append(int(edges[best]))
        merit[max(best - _SIDE, 0) : best + _SIDE + 1] = 0.0
    return tuple(sorted(found))


def find_jump(
    periods: NDArray[np.complex64],
    frames: HarmonicFrames,
    shape: Amplitudes,
    noise: Reals,
    phase: Reals,
    cell: int,
) -> int:
    """Find the period at which the phase jumps, near the cell at which another path begins.

    Parameters
    ----------
    periods, frames, shape, noise
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
    count = periods.shape[1]
    low, high = max((cell - 2) * STRIDE, 0), min((cell + 2) * STRIDE, count)
    sides = phase[max(cell - 2, 0)], phase[min(cell + 1, phase.size - 1)]
    turn = np.exp(-1j * np.multiply.outer(sides, frames.harmonics))
    weight = shape.conj() / noise
    before, after = np.einsum(
        "ch,ckh,sh->sk", weight, periods[:, low:high], turn, optimize=True
    ).real
    gain = np.concatenate([[0.0], np.cumsum(before)]) - np.concatenate([[0.0], np.cumsum(after)])
    best = low + int(gain.argmax())
    return int(np.clip(best, STRIDE // 2 + 1, max((phase.size - 1) * STRIDE, STRIDE // 2 + 1)))
