"""The path of most votes through phases that go round, for several tellings at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Singles = NDArray[np.float32]
#: Gives the votes of times first <= t < last, shape (times, phases); the last axis goes round.
Votes = Callable[[int, int], Singles]

#: Times whose totals are held at once.
_SOME = 512


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


def best_path(
    tellings: Sequence[Votes], times: int, moves: Moves
) -> tuple[int, NDArray[np.int_], list[int], Reals]:
    """Find the path of most votes, prices paid (Viterbi 1967).

    Parameters
    ----------
    tellings : sequence of callable
        Each gives votes.
    times : int
        How many times there are.
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
    On the way forward only the totals are kept, less the highest of each time, and of many times
    only those that some begin with; on the way back the totals of those some are worked out once
    more, and the step that made a total is found again, for the one path that is wanted.
    """
    gathered = np.zeros(len(tellings))
    begun: list[Singles | None] = []
    before = None
    for first in range(0, times, _SOME):
        last = min(first + _SOME, times)
        begun.append(before)
        votes = np.stack([one(first, last) for one in tellings])
        totals, highest = _forward(votes, before, moves)
        gathered += highest
        before = totals[-1].copy()
    telling = int(gathered.argmax())
    path, jumps = np.empty(times, dtype=int), list[int]()
    at: int | None = None
    for number in reversed(range(len(begun))):
        first, last = number * _SOME, min((number + 1) * _SOME, times)
        start = begun[number]
        own = None if start is None else start[telling : telling + 1]
        if number == len(begun) - 1:
            rows = totals[:, telling]
        else:
            rows = _forward(tellings[telling](first, last)[None], own, moves)[0][:, 0]
        if own is not None:  # one time more, the last of those before
            rows, first = np.concatenate([own, rows]), first - 1
        path[first:last], more = _back(rows, at, moves)
        jumps = [first + one for one in more] + jumps
        at = int(path[first])
    return telling, path, jumps, gathered


def _forward(votes: Singles, before: Singles | None, moves: Moves) -> tuple[Singles, Reals]:
    """Add up the votes of the best paths to each phase.

    Parameters
    ----------
    votes : ndarray of shape (tellings, times, phases)
    before : ndarray of shape (tellings, phases) or None
        Totals of the time before; None at the very first.
    moves : Moves

    Returns
    -------
    totals : ndarray of shape (times, tellings, phases)
        Less the highest of each time.
    highest : ndarray of shape (tellings,)
        What was taken off, over all times.
    """
    tellings, times, phases = votes.shape
    reach, prices = moves.reach, moves.prices
    totals = np.empty((times, tellings, phases), dtype=np.float32)
    gathered = np.zeros(tellings)
    around = np.empty((tellings, phases + 2 * reach), dtype=np.float32)
    options = np.empty((prices.size, tellings, phases), dtype=np.float32)
    shifted = np.moveaxis(np.lib.stride_tricks.sliding_window_view(around, phases, axis=1), 1, 0)
    best = np.zeros((tellings, phases), dtype=np.float32)
    total = before
    for time in range(times):
        if total is not None:
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
    return totals, gathered


def _back(totals: Singles, at: int | None, moves: Moves) -> tuple[NDArray[np.int_], list[int]]:
    """Follow a total back to where it came from: that of a phase, or the highest."""
    times, phases = totals.shape
    steps, prices = moves.steps, moves.prices
    path, jumps = np.empty(times, dtype=int), []
    path[-1] = at = int(totals[-1].argmax()) if at is None else at
    for time in range(times - 1, 0, -1):
        before = totals[time - 1]
        sources = (at + steps) % phases
        options = before[sources] - prices
        best = int(options.argmax())
        came = int(sources[best])
        if options[best] < -moves.jump:  # the highest of all is 0
            came = int(before.argmax())
            away = (at - came + phases // 2) % phases - phases // 2
            if abs(away) > moves.reach:
                jumps.append(time)
        path[time - 1] = at = came
    return path, jumps[::-1]
