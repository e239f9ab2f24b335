"""The level of a hum in each period, from the periods around it."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.operators.harmonics import Reals

#: Periods from one level to the next; each is an average under a Hann window of four times that.
BIN = 8
#: Information that an unknown level between zero and about one is worth: where the lane says less
#: about its level than this, less is subtracted.
_PRIOR = 1.0


def edges_of(breaks: tuple[int, ...], hop: int, count: int) -> tuple[int, ...]:
    """Return where stretches of a recording begin and end, in periods, of breaks in samples."""
    inner = sorted({round(one / hop) for one in breaks})
    return (0, *(one for one in inner if 0 < one < count), count)


def levels(
    above: Samples,
    below: Reals,
    first: int,
    wanted: range,
    half_bins: NDArray[np.int8],
    edges: tuple[int, ...],
) -> Samples:
    """Find the level of a hum in given periods.

    Parameters
    ----------
    above : ndarray of shape (lanes, channels, periods)
        Weighted product of lane and hum, period by period, from period `first` on.
    below : ndarray of shape (channels, periods)
        Weighted power of the hum.
    first : int
        Number of the first period, a multiple of `BIN`; it may be negative.
    wanted : range
        Periods for which the level is wanted.
    half_bins
        See `HumProjection`.
    edges : tuple of int
        Periods at which stretches begin, and the last one ends. A window that would reach over
        an edge is moved to where it does not: a whole one lets less of the notes through than a
        part of one.

    Returns
    -------
    ndarray of shape (lanes, channels, wanted)
    """
    lanes, channels, count = above.shape
    out = np.zeros((lanes, channels, len(wanted)))
    bins = (first // BIN) + np.arange(count // BIN)
    for low, high in itertools.pairwise(edges):
        # Before the first stretch and after the last one its level goes on.
        begin = wanted[0] if low == edges[0] else max(wanted[0], low)
        end = wanted[-1] + 1 if high == edges[-1] else min(wanted[-1] + 1, high)
        periods = np.arange(begin, end)
        if periods.size == 0:
            continue
        inside = (np.arange(first, first + count) >= low) & (np.arange(first, first + count) < high)
        top, bottom = averaged(above * inside), averaged(below * inside)
        # Levels at the centres of bins, those that lie in the stretch or beside it.
        at = np.arange(periods[0] // BIN - 1, periods[-1] // BIN + 2)
        at = at[(at >= bins[0]) & (at <= bins[-1])]
        level = np.empty((lanes, channels, at.size))
        for channel in range(channels):
            half = half_bins[channel, np.clip(at, 0, half_bins.shape[1] - 1)]
            rows = inward(at, half, low // BIN, max(high - 1, 0) // BIN) - bins[0]
            weight = hann_rows(rows, half, bins.size)
            level[:, channel] = (top[:, channel] @ weight.T) / (weight @ bottom[channel] + _PRIOR)
        spot = np.clip((periods + 0.5) / BIN - 0.5 - at[0], 0, at.size - 1)
        left = np.minimum(spot.astype(int), max(at.size - 2, 0))
        right = np.minimum(left + 1, at.size - 1)
        here = level[..., left] + (spot - left) * (level[..., right] - level[..., left])
        out[..., periods - wanted[0]] = here
    return out


def averaged(values: Samples) -> Samples:
    """Sum periods to bins under a Hann window of four bins, zeros beyond the ends.

    Parameters
    ----------
    values : ndarray of shape (..., bins * BIN)

    Returns
    -------
    ndarray of shape (..., bins)
    """
    hann = 0.5 - 0.5 * np.cos(np.pi * (np.arange(4 * BIN) + 0.5) / (2 * BIN))
    margin = [(0, 0)] * (values.ndim - 1) + [(2, 2)]
    blocks = values.reshape(*values.shape[:-1], -1, BIN) @ hann.reshape(4, BIN).T
    padded = np.pad(blocks, [*margin, (0, 0)])
    count = blocks.shape[-2]
    # Bin b is the middle of a window over the blocks b - 1.5 ... b + 2.5, half a bin to either side
    summed = sum(
        0.5
        * (padded[..., part : part + count, part] + padded[..., part + 1 : part + 1 + count, part])
        for part in range(4)
    )
    result: Samples = np.asarray(summed) / 4
    return result


def inward(at: NDArray[np.int_], half: NDArray[np.int8], first: int, last: int) -> NDArray[np.int_]:
    """Move the middles of windows to where none of them reaches beyond a first and a last bin."""
    low, high = first + half.astype(int), last - half.astype(int)
    middle = (first + last) // 2
    moved: NDArray[np.int_] = np.clip(at, np.minimum(low, middle), np.maximum(high, middle))
    return moved


def hann_rows(rows: NDArray[np.int_], half: NDArray[np.int8], count: int) -> Reals:
    """Hann windows around rows, `half` to either side, shape (rows, count)."""
    away = np.arange(count) - rows[:, None]
    width = (half + 1)[:, None]
    window: Reals = np.where(np.abs(away) < width, 0.5 + 0.5 * np.cos(np.pi * away / width), 0.0)
    return window
