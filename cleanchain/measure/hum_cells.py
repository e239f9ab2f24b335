"""Amplitudes of mains harmonics averaged over half a second or so, with what sounds beside them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.operators.harmonics import Amplitudes, HarmonicFrames, Reals, turned

#: Mains periods from one cell to the next; a cell is weighed by a Hann window twice as long.
STRIDE = 16
#: Cells that are averaged at a time.
_CELLS = 256
#: Samples read at a time.
_CHUNK = 1 << 18


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

    seen: Amplitudes
    beside: Reals
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

    def stilled(self, phase: Reals) -> Amplitudes:
        """Return the amplitudes as they would be were the mains phase along a path zero."""
        turn = np.multiply.outer(phase - self.turned_by, self.harmonics)
        return self.seen * np.exp(-1j * turn)


def periods_of(source: Source, frames: HarmonicFrames) -> NDArray[np.complex64]:
    """Return the amplitudes of the whole periods of a source, shape (channels, periods, harmonics).

    They are those of Re a e^(2 pi i h f n / fs), n counted from the start of the source: a steady
    hum of the frequency of the frames has the same complex amplitude in every period.
    """
    count = max(source.frames // frames.hop, 1)
    out = np.empty((source.channels, count, len(frames.harmonics)), dtype=np.complex64)
    step = max(_CHUNK // frames.hop, 1)
    for first in range(0, count, step):
        last = min(first + step, count)
        stop = min(last * frames.hop, source.frames)
        samples = source.read(first * frames.hop, stop)
        missing = last * frames.hop - stop
        if missing:
            samples = np.pad(samples, ((0, 0), (0, missing)))
        turn = turned(frames.cycles(first, last - first), frames.harmonics)
        out[:, first:last] = frames.fit_single(samples) * turn.conj().astype(np.complex64)
    return out


def retune(periods: NDArray[np.complex64], frames: HarmonicFrames, offset_hz: float) -> None:
    """Turn amplitudes, where they are, to a mains frequency that is a little higher."""
    cycles = offset_hz * frames.seconds(periods.shape[1])
    for first in range(0, periods.shape[1], STRIDE * _CELLS):
        some = slice(first, first + STRIDE * _CELLS)
        periods[:, some] *= _turn(cycles[some], frames)


def _turn(cycles: Reals, frames: HarmonicFrames) -> NDArray[np.complex64]:
    """Return what takes so many cycles of the mains out of each harmonic."""
    return turned(cycles, frames.harmonics).conj().astype(np.complex64)


def cells_of(
    periods: NDArray[np.complex64], frames: HarmonicFrames, cycles: Reals | None = None
) -> Cells:
    """Average periods to cells; near the ends a cell averages over what there is of it.

    Parameters
    ----------
    periods : ndarray of complex, shape (channels, periods, harmonics)
    frames : HarmonicFrames
    cycles : ndarray of shape (periods,), optional
        Cycles of the mains that are taken out before.
    """
    channels, count, lines = periods.shape
    cells = max(round(count / STRIDE), 1)
    before = STRIDE // 2
    n = np.arange(2 * STRIDE) + 0.5
    hann = 1 - np.cos(np.pi * n / STRIDE)
    swing = np.exp(2j * np.pi * 1.5 * n / STRIDE)
    weights = np.stack([hann, hann * swing, hann * swing.conj()]).astype(np.complex64)
    rows = np.arange(cells)[:, None] * STRIDE + np.arange(2 * STRIDE) - before
    total = ((rows >= 0) & (rows < count)) @ hann
    seen = np.empty((channels, cells, lines), dtype=np.complex128)
    beside = np.empty((channels, cells, lines))
    # Some cells at a time, so that only they are held turned and filled up.
    for low in range(0, cells, _CELLS):
        high = min(low + _CELLS, cells)
        start, stop = low * STRIDE - before, (high + 1) * STRIDE - before
        inside = slice(max(start, 0), min(stop, count))
        part = periods[:, inside]
        if cycles is not None:
            part = part * _turn(cycles[inside], frames)
        part = np.pad(part, ((0, 0), (inside.start - start, stop - inside.stop), (0, 0)))
        # A window is two strides long, so each stride is weighed once as a first and once as a
        # second.
        blocks = part.reshape(channels, high - low + 1, STRIDE, lines)
        first = np.einsum("wn,cknh->wckh", weights[:, :STRIDE], blocks[:, :-1], optimize=True)
        second = np.einsum("wn,cknh->wckh", weights[:, STRIDE:], blocks[:, 1:], optimize=True)
        averaged = (first + second) / total[low:high, None]
        seen[:, low:high] = averaged[0]
        beside[:, low:high] = 0.5 * (np.abs(averaged[1]) ** 2 + np.abs(averaged[2]) ** 2)
    return Cells(
        seen,
        beside,
        np.array(frames.harmonics, dtype=float),
        STRIDE * frames.period_s,
        np.zeros(cells),
    )


def cells_along(
    periods: NDArray[np.complex64], frames: HarmonicFrames, phase: Reals, breaks: Sequence[int] = ()
) -> Cells:
    """Average along a path of the mains phase, so that no line is smeared by its wandering.

    Parameters
    ----------
    periods : ndarray of complex, shape (channels, periods, harmonics)
    frames : HarmonicFrames
    phase : ndarray of shape (cells,)
        rad.
    breaks : sequence of int, optional
        Periods at which another path begins.
    """
    step_s = STRIDE * frames.period_s
    cycles = stretchwise(phase, step_s, frames.seconds(periods.shape[1]), breaks) / (2 * np.pi)
    return replace(cells_of(periods, frames, cycles), turned_by=phase)


def stretchwise(values: Reals, step_s: float, seconds: Reals, breaks: Sequence[int]) -> Reals:
    """Interpolate a path from cells to periods, carrying it on up to each break."""
    out = np.empty(seconds.size)
    edges = [0, *breaks, seconds.size]
    for low, high in itertools.pairwise(edges):
        first = min(max(int(np.ceil(low / STRIDE)), 0), values.size - 1)
        last = min(max(int(high // STRIDE), first + 1), values.size)
        part = values[first:last]
        at = seconds[low:high] / step_s - 0.5 - first
        left = np.clip(np.floor(at).astype(int), 0, max(part.size - 2, 0))
        right = np.minimum(left + 1, part.size - 1)
        out[low:high] = part[left] + (at - left) * (part[right] - part[left])
    return out


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
