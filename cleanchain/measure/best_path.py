"""The path of most votes through phases that go round, for several tellings at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Singles = NDArray[np.float32]


@dataclass(frozen=True)
class Moves:
    """What a step of the path may do, and what it costs.

    Parameters
    ----------
    reach : int
        Phases that one step may go up or down.
    price : float
        Price of a step by one phase, in the unit of the votes; that of n is n^2 times as much.
    jump : float
        Price of a step to anywhere.
    """

    reach: int
    price: float
    jump: float

    @property
    def steps(self) -> NDArray[np.int_]:
        """All steps within reach."""
        return np.arange(-self.reach, self.reach + 1)

    @property
    def prices(self) -> Singles:
        """Their prices."""
        return (self.price * self.steps.astype(np.float64) ** 2).astype(np.float32)


def best_path(votes: Singles, moves: Moves) -> tuple[int, NDArray[np.int_], list[int], Reals]:
    """Find the path of most votes, prices paid (Viterbi 1967).

    Parameters
    ----------
    votes : ndarray of float32, shape (tellings, times, phases)
        The last axis goes round.
    moves : Moves
        With a reach below the number of phases.

    Returns
    -------
    telling : int
        The one whose best path gathers most.
    path : ndarray of int, shape (times,)
        Its phases.
    jumps : list of int
        Times at which another path begins.
    gathered : ndarray of shape (tellings,)
        What the best path of each telling gathers.

    Notes
    -----
    On the way forward only the totals are kept, less the highest of each time; on the way back
    the step that made a total is found again, for the one path that is wanted.
    """
    tellings, times, phases = votes.shape
    reach, prices = moves.reach, moves.prices
    totals = np.empty((times, tellings, phases), dtype=np.float32)
    gathered = np.zeros(tellings)
    around = np.empty((tellings, phases + 2 * reach), dtype=np.float32)
    options = np.empty((prices.size, tellings, phases), dtype=np.float32)
    shifted = np.moveaxis(np.lib.stride_tricks.sliding_window_view(around, phases, axis=1), 1, 0)
    best = np.zeros((tellings, phases), dtype=np.float32)
    total = totals[0]
    for time in range(times):
        if time:
            around[:, reach : reach + phases] = total
            around[:, :reach] = total[:, phases - reach :]
            around[:, reach + phases :] = total[:, :reach]
            np.subtract(shifted, prices[:, None, None], out=options)
            np.maximum.reduce(options, axis=0, out=best)
            np.maximum(best, -moves.jump, out=best)
        total = np.add(best, votes[:, time], out=totals[time])
        highest = np.maximum.reduce(total, axis=1, keepdims=True)
        total -= highest
        gathered += highest[:, 0]
    telling = int(gathered.argmax())
    path, jumps = _back(totals[:, telling], moves)
    return telling, path, jumps, gathered


def _back(totals: Singles, moves: Moves) -> tuple[NDArray[np.int_], list[int]]:
    """Follow the highest total back to where it came from."""
    times, phases = totals.shape
    steps, prices = moves.steps, moves.prices
    sources = (np.arange(phases)[:, None] + steps) % phases
    path, jumps = np.empty(times, dtype=int), []
    at = int(totals[-1].argmax())
    path[-1] = at
    for time in range(times - 1, 0, -1):
        before = totals[time - 1]
        options = before[sources[at]] - prices
        best = int(options.argmax())
        came = int(sources[at, best])
        if options[best] < -moves.jump:  # the highest of all is 0
            came = int(before.argmax())
            away = (at - came + phases // 2) % phases - phases // 2
            if abs(away) > moves.reach:
                jumps.append(time)
        path[time - 1] = at = came
    return path, jumps[::-1]
