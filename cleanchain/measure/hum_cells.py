"""Amplitudes of mains harmonics averaged over half a second or so, with what sounds beside them."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum_periods import Periods
from cleanchain.operators.expected_hum import hermite
from cleanchain.operators.harmonics import Amplitudes, Reals, turned_back

#: Mains periods from one cell to the next; a cell is weighed by a Hann window twice as long.
STRIDE = 16
#: The power of noise in a mean over cells that overlap by half, over that of cells that do not: 4/3
#: under a Hann window, less the 3 % by which the median of what is beside a line is too high.
OVERLAP = 1.29
#: Cells that are worked on at a time.
_SOME = 512


@dataclass(frozen=True, eq=False)
class Cells:
    """Averages of amplitudes around given times.

    Parameters
    ----------
    seen : ndarray of complex, shape (channels, cells, harmonics)
        Average of the amplitude of each harmonic under a Hann window of 2 `STRIDE` periods.
    beside : ndarray of shape (channels, cells, harmonics)
        Power found 1.5 widths of the window below and above the line, as a mean of both.
    harmonics : ndarray of shape (harmonics,)
        Their numbers.
    step_s : float
        Seconds from one cell to the next; the first is centred on half a step.
    turned_by : ndarray of shape (cells,)
        Path of the mains phase that was taken out before averaging, rad.
    """

    seen: NDArray[np.complex64]
    beside: NDArray[np.float32]
    harmonics: Reals
    step_s: float
    turned_by: Reals

    @property
    def count(self) -> int:
        """Number of cells."""
        return int(self.seen.shape[1])

    @property
    def seconds(self) -> Reals:
        """Times of the centres."""
        times: Reals = np.asarray((np.arange(self.count) + 0.5) * self.step_s, dtype=np.float64)
        return times

    def keep(self, chosen: NDArray[np.bool_]) -> Cells:
        """Return the cells of some harmonics."""
        return replace(
            self,
            seen=self.seen[..., chosen],
            beside=self.beside[..., chosen],
            harmonics=self.harmonics[chosen],
        )

    def part(self, some: slice) -> Cells:
        """Return some cells, with times of their own."""
        return replace(
            self,
            seen=self.seen[:, some],
            beside=self.beside[:, some],
            turned_by=self.turned_by[some],
        )

    def stilled(self, phase: Reals) -> Amplitudes:
        """Return the amplitudes as they would be were the mains phase along a path zero."""
        turn = np.multiply.outer(phase - self.turned_by, self.harmonics)
        still: Amplitudes = np.multiply(self.seen, np.exp(-1j * turn), dtype=np.complex128)
        return still


def some_at_a_time(count: int) -> Iterator[slice]:
    """Yield slices that cover so many cells, few enough to work on together."""
    for low in range(0, count, _SOME):
        yield slice(low, min(low + _SOME, count))


def cells_of(periods: Periods, cycles: Callable[[int, int], Reals] | None = None) -> Cells:
    """Average periods to cells; near the ends a cell averages over what there is of it.

    Parameters
    ----------
    periods : Periods
    cycles : callable, optional
        Gives the cycles of the mains that are taken out before averaging, for periods from a
        first one up to a last.
    """
    channels, count, lines = periods.channels, periods.count, len(periods.harmonics)
    cells = max(round(count / STRIDE), 1)
    before = STRIDE // 2
    n = np.arange(2 * STRIDE) + 0.5
    hann = 1 - np.cos(np.pi * n / STRIDE)
    swing = np.exp(2j * np.pi * 1.5 * n / STRIDE)
    weights = np.stack([hann, hann * swing, hann * swing.conj()]).astype(np.complex64)
    seen = np.empty((channels, cells, lines), dtype=np.complex64)
    beside = np.empty((channels, cells, lines), dtype=np.float32)
    for some in some_at_a_time(cells):
        size = some.stop - some.start
        first, last = some.start * STRIDE - before, (some.stop + 1) * STRIDE - before
        low, high = max(first, 0), min(last, count)
        part = periods.part(low, high)
        if cycles is not None:
            part = part * turned_back(cycles(low, high), periods.harmonics)
        padded = np.pad(part, ((0, 0), (low - first, last - high), (0, 0)))
        inside = np.pad(np.ones(high - low), (low - first, last - high)).reshape(-1, STRIDE)
        total = inside[:-1] @ hann[:STRIDE] + inside[1:] @ hann[STRIDE:]
        # A window is two strides long: each stride is weighed once as a first, once as a second.
        blocks = padded.reshape(channels, size + 1, STRIDE, lines)
        averaged = weights[:, :STRIDE] @ blocks[:, :-1] + weights[:, STRIDE:] @ blocks[:, 1:]
        averaged /= total[:, None, None].astype(np.float32)
        seen[:, some] = averaged[:, :, 0]
        beside[:, some] = 0.5 * (_square(averaged[:, :, 1]) + _square(averaged[:, :, 2]))
    return Cells(
        seen,
        beside,
        np.array(periods.harmonics, dtype=float),
        STRIDE * periods.frames.period_s,
        np.zeros(cells),
    )


def _square(values: NDArray[np.complex64]) -> NDArray[np.float32]:
    square: NDArray[np.float32] = values.real**2 + values.imag**2
    return square


def cells_along(periods: Periods, phase: Reals, breaks: Sequence[int] = ()) -> Cells:
    """Average along a path of the mains phase, so that no line is smeared by its wandering.

    Parameters
    ----------
    periods : Periods
    phase : ndarray of shape (cells,)
        rad.
    breaks : sequence of int, optional
        Periods at which another path begins.
    """
    at = cycles_along(periods, phase, breaks)
    return replace(cells_of(periods, at), turned_by=phase)


def cycles_along(
    periods: Periods, phase: Reals, breaks: Sequence[int] = ()
) -> Callable[[int, int], Reals]:
    """Return what gives a path in cycles, for periods from a first one up to a last.

    See `cells_along`; the path is carried on up to each break.
    """
    step_s = STRIDE * periods.frames.period_s
    edges = [0, *breaks, periods.count]

    def cycles(first: int, last: int) -> Reals:
        out = np.empty(last - first)
        for low, high in itertools.pairwise(edges):
            start, stop = max(low, first), min(high, last)
            if start < stop:
                seconds = periods.frames.seconds(stop - start, start)
                out[start - first : stop - first] = _within(phase, step_s, seconds, low, high)
        return out / (2 * np.pi)

    return cycles


def _within(values: Reals, step_s: float, seconds: Reals, low: int, high: int) -> Reals:
    """Interpolate a path from the cells of a stretch, given by its periods, to times."""
    first = min(-(-low // STRIDE), values.size - 1)
    last = min(max(high // STRIDE, first + 1), values.size)
    part = values[first:last]
    at = seconds / step_s - 0.5 - first
    left = np.clip(np.floor(at).astype(int), 0, max(part.size - 2, 0))
    right = np.minimum(left + 1, part.size - 1)
    slope = np.gradient(part) if part.size > 1 else np.zeros(1)
    inside = np.clip(at - left, 0.0, 1.0)
    path: Reals = hermite(part[left], part[right], slope[left], slope[right], inside)
    path += (at - left - inside) * (part[right] - part[left])
    return path


def at_seconds(values: Reals, step_s: float, seconds: Reals, axis: int = 0) -> Reals:
    """Interpolate values from cells to other times, ends held."""
    at = seconds / step_s - 0.5
    last = values.shape[axis] - 1
    low = np.clip(np.floor(at).astype(int), 0, max(last - 1, 0))
    part = np.clip(at - low, 0.0, 1.0)
    shape = [1] * values.ndim
    shape[axis] = seconds.size
    part = part.reshape(shape)
    lower, upper = np.take(values, low, axis), np.take(values, np.minimum(low + 1, last), axis)
    result: Reals = lower + part * (upper - lower)
    return result
