"""Samples that are not numbers: where they are, and a bridge over each stretch."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.errors import InputError
from cleanchain.units import format_time

#: Most stretches that are bridged; a file with more is not worth it.
MOST_GAPS = 10_000


@dataclass(frozen=True)
class Gap:
    """A stretch of one channel that holds no numbers.

    Parameters
    ----------
    channel, start, stop : int
        Frames start <= n < stop.
    before, after : float
        The samples on its sides; 0 at the ends of the file.
    """

    channel: int
    start: int
    stop: int
    before: float
    after: float

    def words(self, rate_hz: int) -> str:
        """Say where it is and what was done about it."""
        return (
            f"channel {self.channel + 1}: {self.stop - self.start} sample(s) that are no numbers "
            f"at {format_time(self.start / rate_hz)} are bridged"
        )


def find_gaps(blocks: Iterable[NDArray[np.floating]]) -> tuple[Gap, ...]:
    """Find every stretch of samples that are not finite.

    Parameters
    ----------
    blocks : iterable of ndarray of shape (frames, channels)
        In order.

    Raises
    ------
    InputError
        If there are more than `MOST_GAPS`.
    """
    gaps: list[Gap] = []
    pending: dict[int, Gap] = {}
    last: NDArray[np.float64] | None = None
    at = 0
    for block in blocks:
        values = block.astype(np.float64)
        bad = ~np.isfinite(values)
        if bad.any() or pending:
            for channel in range(values.shape[1]):
                before = 0.0 if last is None else float(last[channel])
                gaps += _in_channel(
                    values[:, channel], bad[:, channel], channel, at, before, pending
                )
        if len(gaps) > MOST_GAPS:
            raise InputError(
                f"holds more than {MOST_GAPS} stretches that are no numbers",
                fix="The file is damaged beyond repair; export it again.",
            )
        if values.shape[0]:
            last = np.where(bad[-1], 0.0, values[-1])
        at += values.shape[0]
    return tuple(sorted([*gaps, *pending.values()], key=lambda gap: (gap.start, gap.channel)))


def _in_channel(
    values: Samples,
    bad: NDArray[np.bool_],
    channel: int,
    at: int,
    before: float,
    pending: dict[int, Gap],
) -> list[Gap]:
    """Return the gaps that end in this block; one that goes on is left in `pending`."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], bad, [False])).astype(np.int8)))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    done = []
    open_gap = pending.pop(channel, None)
    if open_gap is not None and not (runs and runs[0][0] == 0):
        done.append(_ended(open_gap, at, float(values[0]) if values.size else 0.0))
        open_gap = None
    for start, stop in runs:
        if start == 0 and open_gap is not None:
            gap = Gap(channel, open_gap.start, at + stop, open_gap.before, 0.0)
        else:
            left = before if start == 0 else float(values[start - 1])
            gap = Gap(channel, at + start, at + stop, left, 0.0)
        if stop == values.size:
            pending[channel] = gap
        else:
            done.append(_ended(gap, at + stop, float(values[stop])))
    return done


def _ended(gap: Gap, stop: int, after: float) -> Gap:
    return Gap(gap.channel, gap.start, stop, gap.before, after)


def fill(samples: Samples, first_frame: int, gaps: tuple[Gap, ...]) -> None:
    """Bridge gaps in place by a straight line between their sides.

    Parameters
    ----------
    samples : ndarray of shape (channels, frames)
        Frames from `first_frame` on.
    """
    last_frame = first_frame + samples.shape[1]
    for gap in gaps:
        start, stop = max(gap.start, first_frame), min(gap.stop, last_frame)
        if start < stop:
            part = (np.arange(start, stop) - gap.start + 1) / (gap.stop - gap.start + 1)
            samples[gap.channel, start - first_frame : stop - first_frame] = gap.before + part * (
                gap.after - gap.before
            )
