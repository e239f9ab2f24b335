"""How loud a hum of known waveform is along a recording, and how long each level is averaged."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum_cells import Cells, at_seconds, some_at_a_time
from cleanchain.operators.harmonics import Amplitudes, Reals
from cleanchain.operators.hum_level import BIN, averaged, inward

Floats = NDArray[np.floating]

#: Information of all periods of a cell over that of the cell, whose window weighs them, by the
#: part of them that a sum of `averaged` bins counts.
_TO_CELLS = 8 / 3

#: Levels before and after one that it may be averaged with.
HALVES = (0, 2, 4, 8, 16, 32, 62)
#: Standard deviations that two averages may differ by, and how much longer than a cell a note is.
DIFFER_SD, COHERENCE = 2.5, 3.0
#: Cells over which what is left on a line must not keep its phase, and the mean of its turns
#: (1 where all are alike) from which it does.
_STEADY_CELLS, _IN_STEP = 31, 0.7
#: The mean power of drones over its median (exponential), and from how many lines on half of them
#: may carry one.
_PRESUMED, _MANY_LINES = 1.45, 10


def noise_of(
    cells: Cells, shape: Amplitudes, level: Reals, phase: Reals, least: Reals
) -> NDArray[np.float32]:
    """Power of all but the hum: what is left on the line and what is beside it, over a second.

    Parameters
    ----------
    cells : Cells
        What is seen.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes of the hum at a level of one.
    level : ndarray of shape (channels, cells)
        Of the hum, as far as it is known.
    phase : ndarray of shape (cells,)
        rad.
    least : ndarray of shape (channels, 1, harmonics)
        Power that is added everywhere.

    Returns
    -------
    ndarray of shape (channels, cells, harmonics)

    Notes
    -----
    What is left and keeps its phase for seconds, such as a drone that sits on the line to a few
    hundredths of a hertz, does not average out: it counts as so much noise as would leave the
    same power in an average over that time. Where most lines of a channel have such a drone on
    them, the others are presumed to have one like it: a line that leads the level shows none,
    since the level takes it up. Of few lines, most of those beside the leading one must be free.
    """
    noise = np.empty(cells.seen.shape, dtype=np.float32)
    for some in some_at_a_time(cells.count):
        around = slice(max(some.start - _STEADY_CELLS, 0), some.stop + _STEADY_CELLS)
        first = some.start - around.start
        found = _noise_of(cells.part(around), shape, level[:, around], phase[around])
        noise[:, some] = found[:, first : first + some.stop - some.start] + least
    return noise


def _noise_of(cells: Cells, shape: Amplitudes, level: Reals, phase: Reals) -> Reals:
    left = cells.stilled(phase) - shape[:, None] * level[..., None]
    power = 0.5 * (left.real**2 + left.imag**2) + 0.5 * cells.beside
    padded = np.pad(power, ((0, 0), (1, 1), (0, 0)), mode="edge")
    smooth = (padded[:, :-2] + 2 * padded[:, 1:-1] + padded[:, 2:]) / 4
    count = min(_STEADY_CELLS, cells.count)
    in_step = np.abs(_running(left / np.maximum(np.abs(left), 1e-30), count)) > _IN_STEP
    steady = np.where(in_step, count * np.abs(_running(left, count)) ** 2, 0.0)
    noise: Reals = smooth + steady
    for channel, line in enumerate(np.abs(shape) ** 2):
        there = np.flatnonzero(line)
        if there.size == 0:
            continue
        middle = there.size // 2 if there.size < _MANY_LINES else (there.size - 1) // 2
        over = steady[channel][:, there] / line[there]
        usual = _PRESUMED * np.partition(over, middle, axis=-1)[:, middle : middle + 1]
        noise[channel][:, there] += np.maximum(usual * line[there] - steady[channel][:, there], 0)
    return noise


def _running(values: NDArray[Any], count: int) -> NDArray[Any]:
    """Mean of so many cells around each, of the first or the last ones near the ends."""
    sums = np.cumsum(np.pad(values, ((0, 0), (1, 0), (0, 0))), axis=1)
    mean = (sums[:, count:] - sums[:, :-count]) / count
    at = np.clip(np.arange(values.shape[1]) - count // 2, 0, mean.shape[1] - 1)
    result: NDArray[Any] = mean[:, at]
    return result


def levels_of(cells: Cells, shape: Amplitudes, phase: Reals, noise: Floats) -> Reals:
    """Level of the hum in each cell, shape (channels, cells)."""
    level = average_levels(cells, shape, phase, noise)[1]
    mean: Reals = np.clip(0.5 * (level[:, ::2] + level[:, 1::2]), 0.0, 4.0)
    return mean


def average_levels(
    cells: Cells, shape: Amplitudes, phase: Reals, noise: Floats
) -> tuple[NDArray[np.int8], Reals, Reals]:
    """Average levels as long as shorter averages agree with; see `longest_agreeing`.

    Parameters
    ----------
    cells, shape, phase
        See `noise_of`.
    noise : ndarray of shape (channels, cells or 1, harmonics)
        Power of all else.

    Returns
    -------
    half, level, sd
        Two bins a cell.
    """
    above, below = np.empty(cells.seen.shape[:2]), np.empty(cells.seen.shape[:2])
    for some in some_at_a_time(cells.count):
        wanted = 2 * shape[:, None] / (noise[:, some] if noise.shape[1] > 1 else noise)
        still = cells.part(some).stilled(phase[some])
        above[:, some] = (still * wanted.conj()).real.sum(axis=-1)
        below[:, some] = (shape[:, None] * wanted.conj()).real.sum(axis=-1)
    count = 2 * cells.count
    seconds = (np.arange(count) + 0.5) * cells.step_s / 2
    top = at_seconds(above, cells.step_s, seconds, 1) / 2
    bottom = at_seconds(below, cells.step_s, seconds, 1) / 2
    return longest_agreeing(top, bottom)


def level_bins(
    above: Reals, below: Reals, edges: Sequence[int], count: int
) -> tuple[NDArray[np.int8], Reals, Reals]:
    """Average levels from what single periods say, in each stretch by itself.

    Parameters
    ----------
    above, below : ndarray of shape (channels, periods)
        Product of what is seen with the hum, and power of the hum, over the noise of a period.
    edges : sequence of int
        Periods at which stretches begin, and the last one ends.
    count : int
        Bins that are wanted.

    Returns
    -------
    half, level, sd
        See `longest_agreeing`; of `BIN` periods a bin.
    """
    periods = above.shape[1]
    number = np.arange(periods)
    bins = -(-periods // BIN)
    parts: list[tuple[NDArray[np.int8], Reals, Reals]] = []
    for low, high in itertools.pairwise(edges):
        inside = (number >= low) & (number < high)
        top, bottom = (
            _TO_CELLS * averaged(np.pad(one * inside, ((0, 0), (0, bins * BIN - periods))))
            for one in (above, below)
        )
        # A bin on an edge is with the stretch of its middle.
        first = 0 if low == edges[0] else (low + BIN // 2 - 1) // BIN
        last = bins if high == edges[-1] else (high + BIN // 2 - 1) // BIN
        begin, end = low // BIN, max(-(-high // BIN), low // BIN + 1)
        found = longest_agreeing(top[:, begin:end], bottom[:, begin:end])
        parts.append(tuple(one[:, first - begin : last - begin] for one in found))  # type: ignore
    half, level, sd = (np.concatenate(some, axis=1) for some in zip(*parts, strict=True))
    at = np.minimum(np.arange(count), half.shape[1] - 1)
    return half[:, at], level[:, at], sd[:, at]


def longest_agreeing(top: Reals, bottom: Reals) -> tuple[NDArray[np.int8], Reals, Reals]:
    """Choose how long each level is averaged over: as long as shorter averages agree with.

    Parameters
    ----------
    top, bottom : ndarray of shape (channels, bins)
        Whose quotient is a level, and information on it, in each bin.

    Returns
    -------
    half : ndarray of int8, shape (channels, bins)
        How many bins before and after each; near the ends all lie on one side.
    level, sd : ndarray of shape (channels, bins)
        The level that comes of it, and its standard deviation.

    Notes
    -----
    The rule of intersecting confidence intervals (Goldenshluger and Nemirovski 1997): from short
    to long, an average is taken as long as its interval meets those of all shorter ones.
    """
    bins = np.arange(top.shape[1])
    low, high = np.full(top.shape, -np.inf), np.full(top.shape, np.inf)
    going = np.ones(top.shape, dtype=bool)
    half = np.zeros(top.shape, dtype=np.int8)
    level, sd = np.zeros(top.shape), np.zeros(top.shape)
    for size in HALVES:
        weight = np.hanning(2 * size + 3)[1:-1]
        at = inward(bins, np.full(bins.size, size, dtype=np.int8), 0, bins.size - 1)
        total = np.maximum(_around(bottom, weight)[:, at], 1e-12)
        value = _around(top, weight)[:, at] / total
        spread = np.sqrt(COHERENCE * _around(bottom, weight**2)[:, at]) / total
        low = np.maximum(low, value - DIFFER_SD * spread)
        high = np.minimum(high, value + DIFFER_SD * spread)
        going &= low <= high
        half[going], level[going], sd[going] = size, value[going], spread[going]
        if not going.any():
            break
    return half, level, sd


def _around(values: Reals, weight: Reals) -> Reals:
    """Sum values along the last axis under a window, nothing beyond the ends."""
    return np.stack([np.convolve(row, weight, mode="full") for row in values])[
        :, weight.size // 2 : weight.size // 2 + values.shape[-1]
    ]
