"""True peak: the largest value between the samples, with its place."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples

_BLOCK = 8  # samples whose in-between values are worked out together
_HALF_TAPS = 16  # samples on each side that an in-between value is made of
_WINDOW = _BLOCK + 2 * _HALF_TAPS
_SIDE = _HALF_TAPS // _BLOCK  # blocks of a margin
_KAISER_BETA = 7.0
_TILE = 4096  # blocks that are worked on while they are near at hand in the processor
_BATCH = 1024  # blocks of one matrix product
_MANY = 0.5  # share of a tile's blocks beyond which all of them are worked out, where they are
#: What rounding to single precision can hide, as a share of the peak: 42 roundings of 2**-24 times
#: the interpolator's largest gain of 2.43.
_ROUNDING = 1e-5
#: A peak that is larger by no more than this share is not looked for: with rounding, 6e-6, it
#: stays below 0.0001 dB. The crests of a steady tone would all be tried, each a little higher.
_NO_MORE = 5e-6

#: Frames before and after a stretch that its in-between values are made of.
MARGIN_FRAMES = _HALF_TAPS


class TruePeak:
    """Finds the largest value between the samples of a stretch.

    Values between the samples are interpolated by a Kaiser-windowed sinc of 32 taps, eight a
    sample up to 50 kHz and four above. That reads closer than the 12-tap example of
    ITU-R BS.1770-5 Annex 2, which asks for 4 x 48 kHz at least.

    Between two samples a signal leaves their straight line by no more than its second differences
    allow, so only stretches that this lets reach beyond the peak so far are looked at: first in
    single precision and, where they do go beyond it, in double. The result is the interpolator's
    largest value, or less than it by 0.0001 dB at most.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in Hz.
    """

    def __init__(self, rate_hz: int) -> None:
        self._factor = 8 if rate_hz <= 50_000 else 4
        self._weights = _interpolator(self._factor)
        self._most = float(np.abs(self._weights).sum(axis=0).max())
        self._flat, self._bent = _bound(self._weights, self._factor)
        # The values at the samples themselves need no working out.
        between = np.arange(self._weights.shape[1]) % self._factor != 0
        self._single = self._weights[:, between].astype(np.float32)
        self._room = np.empty((_BATCH, self._single.shape[1]), np.float32)

    def search(self, window: Samples, beyond: float) -> tuple[float, float]:
        """Return a peak larger than `beyond` and its place, or `beyond` and 0 if there is none.

        Parameters
        ----------
        window : ndarray of shape (channels, MARGIN_FRAMES + n + MARGIN_FRAMES)
            The stretch between its margins; n is a multiple of 8.
        beyond : float
            Peak so far, 1 is full scale.

        Returns
        -------
        (float, float)
            The peak, and its place in frames after the first of the stretch.
        """
        peak, place = beyond, 0.0
        frames = window.shape[1] - 2 * _HALF_TAPS
        for channel in window:
            for start in range(0, frames, _TILE * _BLOCK):
                stop = min(start + _TILE * _BLOCK, frames)
                found = self._search(channel[start : stop + 2 * _HALF_TAPS], peak)
                if found is not None:
                    peak, place = found[0], start + found[1]
        return peak, place

    def _search(self, samples: Samples, beyond: float) -> tuple[float, float] | None:
        # One column a block, so that what is done to each block runs along the rows.
        single = samples.astype(np.float32)
        columns = np.ascontiguousarray(single.reshape(-1, _BLOCK).T)
        heights = np.abs(columns)
        tallest = heights.max(axis=0)
        if tallest.max() * self._most <= beyond * (1 - _ROUNDING):
            return None
        windows = _overlapping(samples)
        # Where the largest sample is, most of the peak is: little else needs a look then.
        found = self._exact(windows, int(np.argmax(tallest[_SIDE:-_SIDE])), beyond)
        reach = self._reach(columns, heights, tallest)
        blocks = np.flatnonzero(reach > (found[0] if found else beyond) * (1 - _ROUNDING))
        windows_single = _overlapping(single)
        if blocks.size > _MANY * len(windows):
            blocks = np.arange(len(windows))
        for start in range(0, blocks.size, _BATCH):
            some: Any = blocks[start : start + _BATCH]
            if blocks.size == len(windows):
                some = slice(start, start + _BATCH)  # read in a row, not gathered
            between = self._room[: min(_BATCH, blocks.size - start)]
            np.matmul(windows_single[some], self._single, out=between)
            peak = found[0] if found else beyond
            if max(between.max(), -between.min()) > peak * (1 + _NO_MORE):
                best = int(np.argmax(np.abs(between).max(axis=1)))
                found = self._exact(windows, int(blocks[start + best]), peak) or found
        return found

    def _reach(
        self,
        columns: NDArray[np.float32],
        heights: NDArray[np.float32],
        tallest: NDArray[np.float32],
    ) -> NDArray[np.float32]:
        """Return what no value in each block, and before the next one, exceeds.

        Samples, their absolute values, shape (8, blocks and margins), and the largest of these in
        each block in; shape (blocks,) out.
        """
        bends = np.zeros_like(columns)  # of all samples but the first and the last
        slopes = np.subtract(columns[1:], columns[:-1])
        onward = np.subtract(columns[0, 1:], columns[-1, :-1])
        np.subtract(slopes[1:], slopes[:-1], out=bends[1:-1])
        np.subtract(slopes[0, 1:], onward, out=bends[0, 1:])
        np.subtract(onward, slopes[-1, :-1], out=bends[-1, :-1])
        bend = np.abs(bends, out=bends).max(axis=0)
        blocks = bend.size - 2 * _SIDE
        near = bend[:blocks]
        for later in range(1, 2 * _SIDE + 1):
            near = np.maximum(near, bend[later : later + blocks])
        tops = np.maximum(tallest[_SIDE:-_SIDE], heights[0, _SIDE + 1 : 1 - _SIDE])
        reach: NDArray[np.float32] = tops * np.float32(self._flat) + near * np.float32(self._bent)
        return reach

    def _exact(
        self, windows: NDArray[np.float64], block: int, beyond: float
    ) -> tuple[float, float] | None:
        between = np.abs(windows[block] @ self._weights)
        top = int(np.argmax(between))
        if between[top] <= beyond:
            return None
        return float(between[top]), block * _BLOCK + top / self._factor


def _overlapping(samples: NDArray[Any]) -> NDArray[Any]:
    """View each block with the margins on both sides, shape (blocks, 40)."""
    shape = samples.size // _BLOCK - 2 * _SIDE, _WINDOW
    strides = _BLOCK * samples.itemsize, samples.itemsize
    return np.ndarray(shape, samples.dtype, samples, strides=strides)


def _interpolator(factor: int) -> NDArray[np.float64]:
    """Return the matrix from a window of samples to `factor` values a sample of its middle."""
    times = np.arange(_BLOCK * factor) / factor + _HALF_TAPS
    lags = times - np.arange(_WINDOW)[:, None]
    inside = np.clip(1 - (lags / _HALF_TAPS) ** 2, 0.0, None)
    kernel = np.sinc(lags) * np.i0(_KAISER_BETA * np.sqrt(inside)) / np.i0(_KAISER_BETA)
    weights: NDArray[np.float64] = np.where(inside > 0, kernel, 0.0)
    weights /= weights.sum(axis=0)
    return weights


def _bound(weights: NDArray[np.float64], factor: int) -> tuple[float, float]:
    """Return what no in-between value exceeds: so much of the larger neighbour, so much of bend.

    The weights are the straight line between the neighbours, plus a little of the line's slope,
    plus a sum of second differences; their sums of absolute values bound each part.
    """
    column = np.arange(weights.shape[1])
    before = column // factor + _HALF_TAPS
    share = column % factor / factor
    rest = weights.copy()
    rest[before, column] -= 1 - share
    rest[before + 1, column] -= share
    slope = rest.T @ np.arange(_WINDOW)
    rest[before, column] += slope
    rest[before + 1, column] -= slope
    second = np.cumsum(np.cumsum(rest, axis=0), axis=0)
    return 1 + 2 * float(np.abs(slope).max()), float(np.abs(second).sum(axis=0).max())
