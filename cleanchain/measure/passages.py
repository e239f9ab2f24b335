"""Passages of a take that tell most to the ear: where it is loud, where it dies away, a gap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source

_LOOK_S = 0.05
#: A passage that shares more than this part of itself with another is not taken.
_MOST_SHARED = 0.5
#: A gap may be shorter than the other passages, down to this part of their length, if a longer one
#: would have this many times the power of the shortest.
_GAP_PARTS, _GAP_RATIO = (1.0, 2 / 3, 1 / 2, 1 / 3), 4.0


@dataclass(frozen=True)
class Passage:
    """A stretch of a take.

    Parameters
    ----------
    kind : {"loud passage", "tail", "gap", "whole"}
        Why it was chosen.
    start, stop : int
        First frame, and the frame after the last.
    """

    kind: str
    start: int
    stop: int


def choose_passages(take: Source, count: int, length_s: float) -> tuple[Passage, ...]:
    """Choose where to listen.

    Parameters
    ----------
    take : Source
        Read once.
    count : int
        At most so many passages, 1 to 3.
    length_s : float
        Length of each, > 0.

    Returns
    -------
    tuple of Passage
        The loudest stretch first, then the one that falls most from its first third to its last,
        unless it lies mostly in the loudest, then the quietest that is not digital silence, which
        may be shorter. A take no longer than one passage is one.
    """
    length = round(length_s * take.rate_hz)
    if take.frames <= length:
        return (Passage("whole", 0, take.frames),)
    look = max(round(_LOOK_S * take.rate_hz), 1)
    power = _powers(take, look)
    per = min(max(length // look, 1), power.size)
    windows = np.lib.stride_tricks.sliding_window_view(power, per)
    loud = int(np.argmax(windows.mean(axis=1)))
    chosen = [("loud passage", loud, per)]
    if count > 1:
        free = np.abs(np.arange(windows.shape[0]) - loud) >= _MOST_SHARED * per
        tail = _steepest_fall(windows, free)
        chosen += [] if tail is None else [("tail", tail, per)]
    if count > 2:
        chosen += [("gap", *gap) for gap in _quietest(power, per)]
    found = []
    for kind, start, looks in chosen:
        frames = length if looks == per else looks * look
        first = min(start * look, take.frames - frames)
        found.append(Passage(kind, first, first + frames))
    return tuple(found)


def _steepest_fall(windows: NDArray[np.float64], free: NDArray[np.bool_]) -> int | None:
    """Return the window that falls most from its first third to its last, None without one."""
    third = max(windows.shape[1] // 3, 1)
    level = 10 * np.log10(np.maximum(windows, 1e-20))
    fall = level[:, :third].max(axis=1) - level[:, -third:].mean(axis=1)
    wanted = np.where(free & ~_dead(windows), fall, -np.inf)
    best = int(np.argmax(wanted))
    return best if np.isfinite(wanted[best]) else None


def _quietest(power: NDArray[np.float64], per: int) -> list[tuple[int, int]]:
    """Return the quietest window and its length: the longest that is nearly as quiet as any."""
    found = []
    for part in _GAP_PARTS:
        looks = max(round(part * per), 1)
        windows = np.lib.stride_tricks.sliding_window_view(power, looks)
        mean = np.where(_dead(windows), np.inf, windows.mean(axis=1))
        best = int(np.argmin(mean))
        found.append((float(mean[best]), best, looks))
    least = min(quiet for quiet, _, _ in found)
    if not np.isfinite(least):
        return []
    return [next((best, looks) for quiet, best, looks in found if quiet <= _GAP_RATIO * least)]


def _dead(windows: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark windows with digital silence in them."""
    return np.asarray((windows <= 0).any(axis=1))


def _powers(take: Source, look: int) -> NDArray[np.float64]:
    """Mean square of each look, shape (looks,), whole looks only."""
    found = [np.empty(0)]
    for block in take.blocks(look * 1024):
        whole = block.shape[1] // look * look
        square = (block[:, :whole] ** 2).mean(axis=0)
        found.append(square.reshape(-1, look).mean(axis=1))
    return np.concatenate(found)
