"""Excerpts that speak for a long take: loud, quiet, rising and falling as often as it is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source

#: Stretches of level that are looked at, s, and how many classes of level they fall in.
_LOOK_S, _LEVELS = 0.1, 8
#: A change of level by more than this from one look to the next is a rise or a fall, dB.
_RISE_DB, _FALL_DB = 6.0, -1.0
#: What is taken from either end of a take, s.
_END_S = 1.0


def choose_excerpts(take: Source, count: int, length_s: float) -> list[tuple[int, int]]:
    """Choose stretches of a take whose levels and changes of level are those of the whole.

    What is at its ends is only there, and comes along.

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
        First frame and the frame after the last, in order, without overlap; the first and the
        last one begin and end with the take. The whole take where it is less than half as long
        again as all stretches.
    """
    length, end = round(length_s * take.rate_hz), round(_END_S * take.rate_hz)
    look = max(round(_LOOK_S * take.rate_hz), 1)
    per, ends = length // look, -(-end // look)
    step = max(per // 2, 1)
    starts = np.arange(ends, take.frames // look - ends - per + 1, step)
    # Each stretch takes its own start and those beside it from the later ones.
    if starts.size < 3 * count:
        return [(0, take.frames)]
    classes = _classes(_levels_db(take, look))
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
    inner = [(start * look, start * look + length) for start in sorted(starts[chosen].tolist())]
    ranges = [(0, end)]
    for start, stop in (*inner, (take.frames - end, take.frames)):
        if start <= ranges[-1][1]:
            ranges[-1] = (ranges[-1][0], stop)
        else:
            ranges.append((start, stop))
    return ranges


def weights_of(ranges: Sequence[tuple[int, int]], frames: int, rate_hz: int) -> NDArray[np.float64]:
    """Return how many frames of a take each frame of its joined excerpts stands for.

    Those at the ends stand for themselves alone.

    Parameters
    ----------
    ranges : sequence of (int, int)
        See `choose_excerpts`; more than one.
    frames : int
        Length of the take.
    rate_hz : int
        Its rate.

    Returns
    -------
    ndarray of shape (frames of the excerpts,)
    """
    joined = sum(stop - start for start, stop in ranges)
    end = round(_END_S * rate_hz)
    weights = np.full(joined, (frames - 2 * end) / (joined - 2 * end))
    weights[:end] = weights[-end:] = 1.0
    return weights


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
