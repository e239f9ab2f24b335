"""The interpolator of the true peak, as matrices over blocks of samples, and what bounds it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Samples whose in-between values are worked out together.
BLOCK = 8
#: Samples on each side that an in-between value is made of.
HALF_TAPS = 16
#: Samples that the values of a block are made of, those on both its sides among them.
WINDOW = BLOCK + 2 * HALF_TAPS
#: Blocks on each side of one in its window.
SIDE = HALF_TAPS // BLOCK
_KAISER_BETA = 7.0


def interpolator(factor: int) -> NDArray[np.float64]:
    """Return the matrix, (40, 8 factor), from a window to `factor` values a sample of its block."""
    times = np.arange(BLOCK * factor) / factor + HALF_TAPS
    lags = times - np.arange(WINDOW)[:, None]
    inside = np.clip(1 - (lags / HALF_TAPS) ** 2, 0.0, None)
    kernel = np.sinc(lags) * np.i0(_KAISER_BETA * np.sqrt(inside)) / np.i0(_KAISER_BETA)
    weights: NDArray[np.float64] = np.where(inside > 0, kernel, 0.0)
    weights /= weights.sum(axis=0)
    return weights


def largest_bend(weights: NDArray[np.float64], factor: int) -> tuple[float, float]:
    """Return what no in-between value exceeds: so much of the larger neighbour, so much of bend.

    The weights are the straight line between the neighbours, plus a little of the line's slope,
    plus a sum of second differences; their sums of absolute values bound each part.
    """
    column = np.arange(weights.shape[1])
    before = column // factor + HALF_TAPS
    share = column % factor / factor
    rest = weights.copy()
    rest[before, column] -= 1 - share
    rest[before + 1, column] -= share
    slope = rest.T @ np.arange(WINDOW)
    rest[before, column] += slope
    rest[before + 1, column] -= slope
    second = np.cumsum(np.cumsum(rest, axis=0), axis=0)
    return 1 + 2 * float(np.abs(slope).max()), float(np.abs(second).sum(axis=0).max())


def windows(samples: NDArray[Any]) -> NDArray[Any]:
    """View each block between the two on both sides, shape (blocks, 40)."""
    shape = samples.size // BLOCK - 2 * SIDE, WINDOW
    strides = BLOCK * samples.itemsize, samples.itemsize
    return np.ndarray(shape, samples.dtype, samples, strides=strides)


def windows_by_place(columns: NDArray[Any]) -> NDArray[Any]:
    """View the windows of blocks, (8, blocks and two on both sides), as (5, 8, blocks)."""
    row, one = columns.strides
    shape = WINDOW // BLOCK, BLOCK, columns.shape[1] - 2 * SIDE
    return np.lib.stride_tricks.as_strided(columns, shape, (one, row, one))


def fold(by_place: NDArray[Any], folded: NDArray[Any]) -> None:
    """Put sums, and differences, of samples as far before as after the middle one in `folded`.

    Shape (5, 8, blocks) in, (2, 20, blocks) out. Values at the same distance before and after the
    middle are the difference and the sum of an even part, made of the sums alone, and an odd one,
    made of the differences alone. So the larger of the two is known from half as many products.
    """
    half = BLOCK // 2
    for combine, out in zip((np.add, np.subtract), folded, strict=True):
        combine(by_place[2, half:], by_place[2, half:0:-1], out=out[:half])
        blocks = out[half:].reshape(SIDE, BLOCK, -1)
        combine(by_place[3:, 0], by_place[2:0:-1, 0], out=blocks[:, 0])
        combine(by_place[3:, 1:], by_place[1::-1, :0:-1], out=blocks[:, 1:])


def folded_weights(weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the matrices from folded windows to even and odd part, shape (2, values / 2, 20).

    `weights` are those of values that lie evenly about the middle of a block.
    """
    later = weights[:, weights.shape[1] // 2 :]
    folded = np.empty((2, WINDOW // 2, later.shape[1]))
    fold(later.reshape(WINDOW // BLOCK, BLOCK, -1), folded)
    folded /= 2
    folded[0, 0] /= 2  # the middle sample is added to itself
    return np.ascontiguousarray(folded.transpose(0, 2, 1))
