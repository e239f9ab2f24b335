"""Amplitudes of mains harmonics averaged over half a second or so, with what sounds beside them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.operators.harmonics import Amplitudes, HarmonicFrames, Reals, turned_back

#: Mains periods from one cell to the next; a cell is weighed by a Hann window twice as long.
STRIDE = 16
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
        turn = turned_back(frames.cycles(first, last - first), frames.harmonics)
        np.multiply(frames.fit_single(samples), turn, out=out[:, first:last])
    return out


def retuned(
    periods: NDArray[np.complex64], frames: HarmonicFrames, offset_hz: float
) -> NDArray[np.complex64]:
    """Return amplitudes as they are around a mains frequency that is a little higher."""
    cycles = offset_hz * frames.seconds(periods.shape[1])
    return periods * turned_back(cycles, frames.harmonics)


def cells_of(periods: NDArray[np.complex64], frames: HarmonicFrames) -> Cells:
    """Average periods to cells; near the ends a cell averages over what there is of it."""
    channels, count, lines = periods.shape
    cells = max(round(count / STRIDE), 1)
    before = STRIDE // 2
    after = max((cells - 1) * STRIDE + 2 * STRIDE - before - count, 0)
    padded = np.pad(periods, ((0, 0), (before, after), (0, 0)))
    n = np.arange(2 * STRIDE) + 0.5
    hann = 1 - np.cos(np.pi * n / STRIDE)
    swing = np.exp(2j * np.pi * 1.5 * n / STRIDE)
    weights = np.stack([hann, hann * swing, hann * swing.conj()]).astype(np.complex64)
    inside = np.pad(np.ones(count), (before, after))
    rows = np.arange(cells)[:, None] * STRIDE + np.arange(2 * STRIDE)
    total = inside[rows] @ hann
    # A window is two strides long, so each stride is weighed once as a first and once as a second.
    blocks = padded[:, : (cells + 1) * STRIDE].reshape(channels, cells + 1, STRIDE, lines)
    averaged = weights[:, :STRIDE] @ blocks[:, :-1] + weights[:, STRIDE:] @ blocks[:, 1:]
    averaged /= total[:, None, None].astype(np.float32)
    beside = 0.5 * (_square(averaged[:, :, 1]) + _square(averaged[:, :, 2]))
    return Cells(
        averaged[:, :, 0].astype(np.complex128),
        beside.astype(np.float64),
        np.array(frames.harmonics, dtype=float),
        STRIDE * frames.period_s,
        np.zeros(cells),
    )


def _square(values: NDArray[np.complex64]) -> NDArray[np.float32]:
    square: NDArray[np.float32] = values.real**2 + values.imag**2
    return square


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
    turn = turned_back(cycles, frames.harmonics)
    return replace(cells_of(periods * turn, frames), turned_by=phase)


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
