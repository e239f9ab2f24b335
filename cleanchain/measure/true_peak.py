"""True peak: the largest value between the samples, with its place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.measure.peak_interpolator import (
    BLOCK,
    HALF_TAPS,
    SIDE,
    WINDOW,
    fold,
    folded_weights,
    interpolator,
    largest_bend,
    windows,
    windows_by_place,
)

_TILE = 4096  # blocks that are worked on while they are near at hand in the processor
_BATCH = 1024  # blocks of one matrix product
#: Share of a tile's blocks beyond which all are worked out, as that saves gathering them. Then all
#: of the next tiles are, so many of them, unasked: steady tones go on.
_MOST = 0.7
_UNASKED = 3
#: What rounding to single precision can hide, as a share of the peak: 26 roundings of 2**-24 times
#: the largest gain of 4.43 of the folded interpolator.
_ROUNDING = 7e-6
#: A peak that is larger by no more than this share is not looked for: with rounding it stays below
#: 0.0001 dB. The crests of a steady tone would all be tried, each a little higher.
_NO_MORE = 4e-6

#: Frames before and after a stretch that its in-between values are made of.
MARGIN_FRAMES = HALF_TAPS


class TruePeak:
    """Finds the largest value between the samples of a stretch; for one thread at a time.

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
        self._weights = interpolator(self._factor)
        self._gain = float(np.abs(self._weights).sum(axis=0).max())
        self._flat, self._bent = largest_bend(self._weights, self._factor)
        # The values at the samples themselves need no working out.
        between = self._weights[:, np.arange(BLOCK * self._factor) % self._factor != 0]
        self._single = between.astype(np.float32)
        self._halves = folded_weights(between).astype(np.float32)
        # Memory that is handed back and asked for again each time costs more than the work in it.
        blocks = _TILE + 2 * SIDE
        self._samples = np.empty(blocks * BLOCK, np.float32)
        self._columns, self._slopes, self._heights = np.empty((3, BLOCK, blocks), np.float32)
        self._folded = np.zeros((2, WINDOW // 2, _TILE), np.float32)
        self._values = np.empty(_TILE * between.shape[1], np.float32)

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
        frames = window.shape[1] - 2 * HALF_TAPS
        for channel in window:
            unasked = 0
            for start in range(0, frames, _TILE * BLOCK):
                stop = min(start + _TILE * BLOCK, frames)
                samples = channel[start : stop + 2 * HALF_TAPS]
                found, all_of_it = self._search(samples, peak, unasked > 0)
                unasked = max(unasked - 1, 0) if unasked or not all_of_it else _UNASKED
                if found is not None:
                    peak, place = found[0], start + found[1]
        return peak, place

    def _search(
        self, samples: Samples, beyond: float, all_of_it: bool
    ) -> tuple[tuple[float, float] | None, bool]:
        """Return a larger peak and its place, and whether every block was worked out."""
        single = self._samples[: samples.size]
        single[:] = samples
        # One column a block, so that what is done to each block runs along the rows.
        columns = self._columns[:, : samples.size // BLOCK]
        columns[:] = single.reshape(-1, BLOCK).T
        tallest = np.abs(columns, out=self._heights[:, : columns.shape[1]]).max(axis=0)
        if tallest.max() * self._gain <= beyond:
            return None, False
        # Where the largest sample is, most of the peak is: little else needs a look then.
        exact = windows(samples)
        found = self._exact(exact, int(np.argmax(tallest[SIDE:-SIDE])), beyond)
        enough = (found[0] if found else beyond) * (1 + _NO_MORE)
        if not all_of_it:
            blocks = np.flatnonzero(self._reach(columns, tallest) > enough)
            if not blocks.size:
                return found, False
            all_of_it = blocks.size > _MOST * exact.shape[0]
        if all_of_it:
            best = self._best_of_all(columns, enough)
        else:
            best = self._best(windows(single), blocks, enough)
        if best is not None:
            found = self._exact(exact, best, enough) or found
        return found, all_of_it

    def _reach(
        self, columns: NDArray[np.float32], tallest: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Return what no value in each block, and before the next one, exceeds.

        Samples, shape (8, blocks and margins), and the largest of their absolute values in each
        block in; shape (blocks,) out.
        """
        slopes = self._slopes[:, : columns.shape[1]]  # after each sample
        np.subtract(columns[1:], columns[:-1], out=slopes[:-1])
        np.subtract(columns[0, 1:], columns[-1, :-1], out=slopes[-1, :-1])
        bends = self._heights[:, : columns.shape[1]]  # of all samples but the first and the last
        np.subtract(slopes[1:], slopes[:-1], out=bends[1:])
        np.subtract(slopes[0, 1:], slopes[-1, :-1], out=bends[0, 1:])
        bends[0, 0] = bends[-1, -1] = 0.0
        bend = np.abs(bends, out=bends).max(axis=0)
        blocks = bend.size - 2 * SIDE
        near = bend[:blocks]
        for later in range(1, 2 * SIDE + 1):
            near = np.maximum(near, bend[later : later + blocks])
        tops = np.maximum(tallest[SIDE:-SIDE], np.abs(columns[0, SIDE + 1 : 1 - SIDE]))
        reach: NDArray[np.float32] = tops * np.float32(self._flat) + near * np.float32(self._bent)
        return reach

    def _best(
        self, single: NDArray[np.float32], blocks: NDArray[np.intp], beyond: float
    ) -> int | None:
        """Return which of some blocks has the largest value between its samples, if beyond."""
        best = None
        room = self._values[: _BATCH * self._single.shape[1]].reshape(_BATCH, -1)
        for start in range(0, blocks.size, _BATCH):
            some = blocks[start : start + _BATCH]
            values = np.matmul(single[some], self._single, out=room[: some.size])
            largest = max(float(values.max()), -float(values.min()))
            if largest > beyond:
                beyond = largest
                best = int(some[np.argmax(np.abs(values).max(axis=1))])
        return best

    def _best_of_all(self, columns: NDArray[np.float32], beyond: float) -> int | None:
        """Return which block has the largest value between its samples, if beyond."""
        count = columns.shape[1] - 2 * SIDE
        batches = -(-count // _BATCH)
        folded = self._folded[:, :, : batches * _BATCH]
        folded[:, :, count:] = 0.0
        fold(windows_by_place(columns), folded[:, :, :count])
        parts = folded.reshape(2, WINDOW // 2, batches, _BATCH).transpose(0, 2, 1, 3)
        shape = 2, batches, self._halves.shape[1], _BATCH
        values = self._values[: int(np.prod(shape))].reshape(shape)
        even, odd = np.abs(np.matmul(self._halves[:, None], parts, out=values), out=values)
        even += odd
        return int(np.argmax(even.max(axis=1))) if even.max() > beyond else None

    def _exact(
        self, exact: NDArray[np.float64], block: int, beyond: float
    ) -> tuple[float, float] | None:
        between = np.abs(exact[block] @ self._weights)
        top = int(np.argmax(between))
        if between[top] <= beyond:
            return None
        return float(between[top]), block * BLOCK + top / self._factor
