"""Where a recording has hit its ceiling: at full scale, or at a flat top below it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples, Source

#: Samples in a row at the ceiling that make a clipped peak (common practice, no source).
SHORTEST_RUN = 3
#: A flat top is looked for within this part of the largest sample.
_TOP, _BELOW_TOP = 0.999, 0.99
#: A steady sine has sqrt(0.1) = 0.32 of the samples above 0.99 of its peak above 0.999, a decaying
#: one less; a flat top nearly all.
_FLAT_SHARE = 0.6
_FEWEST_FLAT_RUNS = 5
#: Most times that are told.
MOST_TIMES = 50


@dataclass(frozen=True)
class Clipping:
    """What was found at the ceiling of one channel.

    Parameters
    ----------
    ceiling : float
        Where it is, full scale 1; 0 where nothing was found.
    runs, samples : int
        Rows of at least `SHORTEST_RUN` samples at the ceiling, and the samples in them.
    times_s : tuple of float
        When the first rows start, s.
    """

    ceiling: float = 0.0
    runs: int = 0
    samples: int = 0
    times_s: tuple[float, ...] = ()


def find_clipping(source: Source, peaks: Samples, step: float) -> list[Clipping]:
    """Find clipped peaks, channel by channel.

    Parameters
    ----------
    source : Source
        Finite samples.
    peaks : ndarray of shape (channels,)
        Largest magnitude of each channel.
    step : float
        One step of the format, full scale 1; 0 for floats.

    Returns
    -------
    list of Clipping
        One a channel.
    """
    at_full_scale = (peaks >= 1.0 - 1.5 * step) & (peaks <= 1.0)
    ceilings = np.where(at_full_scale, 1.0 - 1.5 * step if step else 1.0, _TOP * peaks)
    runs = [_Runs(source.rate_hz) for _ in range(source.channels)]
    near = np.zeros(source.channels)
    top = np.zeros(source.channels)
    for block in source.blocks():
        size = np.abs(block)
        for channel, row in enumerate(size):
            if peaks[channel] <= 0.0:
                runs[channel].skip(row.size)
                continue
            at_top = row >= ceilings[channel]
            runs[channel].add(at_top)
            near[channel] += np.count_nonzero(row >= _BELOW_TOP * peaks[channel])
            top[channel] += np.count_nonzero(at_top)
    found = []
    for channel, run in enumerate(runs):
        run.end()
        flat = top[channel] >= _FLAT_SHARE * near[channel] and run.runs >= _FEWEST_FLAT_RUNS
        if run.runs and (at_full_scale[channel] or flat):
            times = tuple(run.times_s)
            found.append(Clipping(float(peaks[channel]), run.runs, run.samples, times))
        else:
            found.append(Clipping())
    return found


class _Runs:
    """Counts rows of true values in a stream that comes in blocks."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz, self._at, self._open = rate_hz, 0, 0
        self.runs, self.samples = 0, 0
        self.times_s: list[float] = []

    def add(self, flags: NDArray[np.bool_]) -> None:
        """Take the next block."""
        edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
        starts, stops = edges[::2].astype(int), edges[1::2].astype(int)
        first = 0
        if self._open and not (starts.size and starts[0] == 0):
            self._close(self._at - self._open, self._open)
        elif self._open:
            first = 1
            length = self._open + int(stops[0])
            self._open = length
            if stops[0] < flags.size:
                self._close(self._at + int(stops[0]) - length, length)
        if starts.size > first and stops[-1] == flags.size:
            self._open = int(flags.size - starts[-1])
            starts, stops = starts[:-1], stops[:-1]
        lengths = stops[first:] - starts[first:]
        for index in np.flatnonzero(lengths >= SHORTEST_RUN):
            self._count(self._at + int(starts[first + index]), int(lengths[index]))
        self._at += flags.size

    def skip(self, frames: int) -> None:
        """Take a block without a true value."""
        self.end()
        self._at += frames

    def end(self) -> None:
        """Close a row that is still open."""
        if self._open:
            self._close(self._at - self._open, self._open)

    def _close(self, start: int, length: int) -> None:
        self._open = 0
        if length >= SHORTEST_RUN:
            self._count(start, length)

    def _count(self, start: int, length: int) -> None:
        self.runs += 1
        self.samples += length
        if len(self.times_s) < MOST_TIMES:
            self.times_s.append(start / self._rate_hz)
