"""Excerpts that speak for a long take: loud, quiet, rising and falling as often as it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source

#: Stretches of level that are looked at, s, and how many classes of level they fall in.
_LOOK_S, _LEVELS = 0.1, 8
#: A change of level by more than this from one look to the next is a rise or a fall, dB.
_RISE_DB, _FALL_DB = 6.0, -1.0


def choose_excerpts(take: Source, count: int, length_s: float) -> list[tuple[int, int]]:
    """Choose stretches of a take whose levels and changes of level are those of the whole.

    Parameters
    ----------
    take : Source
        What is to be represented; read once.
    count : int
        Number of stretches.
    length_s : float
        Length of each.

    Returns
    -------
    list of (int, int)
        First frame and the frame after the last, in order, without overlap. The whole take where
        it is no longer than all stretches together.
    """
    length = round(length_s * take.rate_hz)
    if take.frames <= count * length:
        return [(0, take.frames)]
    look = max(round(_LOOK_S * take.rate_hz), 1)
    classes = _classes(_levels_db(take, look))
    per = length // look
    step = max(per // 2, 1)
    starts = np.arange(0, classes.size - per + 1, step)
    kinds = np.eye(3 * _LEVELS)[classes]
    running = np.concatenate([np.zeros((1, kinds.shape[1])), np.cumsum(kinds, axis=0)])
    each = (running[starts + per] - running[starts]) / per
    whole = kinds.mean(axis=0)
    free = np.ones(starts.size, dtype=bool)
    total = np.zeros(whole.size)
    chosen: list[int] = []
    for number in range(1, count + 1):
        away = (((total + each) / number - whole) ** 2 / (whole + 1e-3)).sum(axis=1)
        best = int(np.argmin(np.where(free, away, np.inf)))
        chosen.append(best)
        total += each[best]
        free &= np.abs(starts - starts[best]) >= per
    return [(start * look, start * look + length) for start in sorted(starts[chosen].tolist())]


def _levels_db(take: Source, look: int) -> NDArray[np.float64]:
    """Level of each look, shape (looks,), whole looks only."""
    powers = []
    for block in take.blocks(look * max((1 << 18) // look, 1)):
        whole = block.shape[1] // look * look
        powers.append(
            np.einsum("clf,clf->l", *[block[:, :whole].reshape(len(block), -1, look)] * 2)
        )
    level: NDArray[np.float64] = 10 * np.log10(np.maximum(np.concatenate(powers), 1e-20))
    return level


def _classes(level: NDArray[np.float64]) -> NDArray[np.int_]:
    """Class of each look: one of eight levels, equally many of each, and rise, fall or neither."""
    rank = np.searchsorted(np.quantile(level, np.arange(1, _LEVELS) / _LEVELS), level)
    change = np.diff(level, prepend=level[:1])
    kind = np.where(change > _RISE_DB, 1, np.where(change < _FALL_DB, 2, 0))
    result: NDArray[np.int_] = 3 * rank + kind
    return result
