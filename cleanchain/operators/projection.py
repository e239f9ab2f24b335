"""Hum taken out by a weighted projection on its known waveform, along a known path of the mains."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.operators.base import Flow, Lanes, Operator
from cleanchain.operators.harmonics import Amplitudes, HarmonicFrames, Reals, turned

#: Periods from one level to the next; each is an average under a Hann window of four times that.
BIN = 8
#: Periods that are worked on together, a multiple of `BIN`.
_BLOCK = 64 * BIN
#: Periods that are put to sound at a time, few enough to stay near the processor.
_SOUND = 64
#: Information that an unknown level between zero and about one is worth: where the lane says less
#: about its level than this, less is subtracted.
_PRIOR = 1.0


@dataclass(frozen=True, eq=False)
class ExpectedHum:
    """What a hum is expected to be, on knots that are joined by straight lines.

    Parameters
    ----------
    knot_s : ndarray of shape (knots,)
        Times of the knots, s, ascending.
    cycles : ndarray of shape (knots,)
        Phase of the mains beyond the steady turn of the frames, in cycles.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes at a phase of zero and a level of one.
    trust : ndarray of shape (channels, knots, harmonics)
        One over the variance of the real part of a period's amplitude, all but the hum.
    course : ndarray of shape (knots,)
        Course of the hum's level, from 0 up, as far as it is known beforehand.
    """

    knot_s: Reals
    cycles: Reals
    shape: Amplitudes
    trust: NDArray[np.float32]
    course: Reals

    def at(
        self, frames: HarmonicFrames, first: int, count: int
    ) -> tuple[Amplitudes, NDArray[np.floating]]:
        """Return hum and trust in periods, each (channels, count, harmonics)."""
        low, high, part = self._between(frames.seconds(count, first))
        blend = np.clip(part, 0.0, 1.0)[:, None].astype(np.float32)
        trust = self.trust[:, low] + blend * (self.trust[:, high] - self.trust[:, low])
        return self.hum_at(frames, first, count), trust

    def hum_at(self, frames: HarmonicFrames, first: int, count: int) -> Amplitudes:
        """Return the hum alone."""
        low, high, part = self._between(frames.seconds(count, first))
        # Beyond the first and the last knot the mains go on at their frequency there.
        cycles = self.cycles[low] + part * (self.cycles[high] - self.cycles[low])
        part = np.clip(part, 0.0, 1.0)
        course = self.course[low] + part * (self.course[high] - self.course[low])
        turn = turned(frames.cycles(first, count) + cycles, frames.harmonics)
        return self.shape[:, None] * (course[:, None] * turn)

    def _between(self, seconds: Reals) -> tuple[NDArray[np.int_], NDArray[np.int_], Reals]:
        """Return the knots before and after times, and where between them each lies."""
        knots = np.searchsorted(self.knot_s, seconds, side="right") - 1
        low = np.clip(knots, 0, max(self.knot_s.size - 2, 0))
        high = np.minimum(low + 1, self.knot_s.size - 1)
        gap = np.maximum(self.knot_s[high] - self.knot_s[low], 1e-9)
        return low, high, np.clip((seconds - self.knot_s[low]) / gap, -1.0, 2.0)


@dataclass(frozen=True, eq=False)
class HumProjection(Operator):
    """Subtract what a lane has in common with an expected hum.

    Around each `BIN` periods one level is found, that with the least weighted squared difference
    between the lane and the hum times the level, over all harmonics of a channel together. With
    the hum, its trust and the widths given, this is linear in the lane, and only one number is
    free in a time of the width.

    Parameters
    ----------
    frames : HarmonicFrames
        Cuts the lanes.
    hum : ExpectedHum
        What to look for.
    half_bins : ndarray of int8, shape (channels, bins)
        For each level, how many levels before and after it is averaged with, under a Hann window.
    breaks : tuple of int
        Periods at which another stretch begins; no level looks across.
    """

    follows_driver: ClassVar[bool] = False

    frames: HarmonicFrames
    hum: ExpectedHum
    half_bins: NDArray[np.int8]
    breaks: tuple[int, ...]

    @cached_property
    def reach(self) -> int:
        """Periods before and after one that its level depends on, whole blocks."""
        periods = (int(self.half_bins.max(initial=0)) + 1) * BIN + 2 * BIN
        return -(-periods // _BLOCK) * _BLOCK

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return _ProjectionFlow(self, lanes, channels, frames)


class _ProjectionFlow(Flow):
    """Blocks of `_BLOCK` periods are fitted as they come in, and leave when all around is known."""

    def __init__(self, operator: HumProjection, lanes: int, channels: int, frames: int) -> None:
        self._operator = operator
        self._lanes, self._channels, self._frames = lanes, channels, frames
        hop = operator.frames.hop
        self._half = hop // 2
        self._block = _BLOCK * hop
        self._filling = self._empty(np.dtype(float))  # pushed, not yet fitted
        self._filled = 0
        self._fitted: list[Lanes] = []  # fitted, not yet returned, one array a block
        self._returned = 0
        self._blocks_in = 0
        self._blocks_out = 0
        self._blocks = -(-frames // self._block) if frames else 0
        self._across: dict[int, tuple[Samples, Reals]] = {}

    def _empty(self, dtype: np.dtype[Any]) -> Lanes:
        return np.empty((self._lanes, self._channels, self._block), dtype=dtype)

    def push(self, block: Lanes) -> Lanes:
        """See `Flow.push`."""
        if self._filled == self._blocks_in == 0:
            self._filling = self._empty(block.dtype)
        out, at, size = [], 0, block.shape[-1]
        while at < size:
            count = min(self._block - self._filled, size - at)
            self._filling[..., self._filled : self._filled + count] = block[..., at : at + count]
            self._filled, at = self._filled + count, at + count
            if self._filled == self._block:
                self._fit()
                out += self._ready()
        return self._joined(out)

    def finish(self) -> Lanes:
        """See `Flow.finish`."""
        if self._filled:
            self._filling[..., self._filled :] = 0.0
            self._fit()
        result = self._joined(self._ready(all_in=True))
        return result[..., : result.shape[-1] - max(self._returned - self._frames, 0)]

    def _joined(self, parts: list[Lanes]) -> Lanes:
        if len(parts) == 1:
            return parts[0]
        return np.concatenate([self._filling[..., :0], *parts], axis=-1)

    def _fit(self) -> None:
        """Fit a block: what its periods say of the level, and how surely."""
        plan, samples = self._operator, self._filling
        hum, trust = plan.hum.at(plan.frames, self._blocks_in * _BLOCK, _BLOCK)
        parts = np.concatenate([hum.real, -hum.imag], axis=-1)
        wanted = parts * np.concatenate([trust, trust], axis=-1)
        above = np.einsum("lckh,ckh->lck", plan.frames.fit_parts(samples), wanted)
        below = np.einsum("ckh,ckh->ck", parts, wanted)
        # A last period that is cut off says nothing.
        whole = self._frames // plan.frames.hop
        inside = self._blocks_in * _BLOCK + np.arange(_BLOCK) < whole
        self._across[self._blocks_in] = (above * inside, below * inside)
        self._fitted.append(samples)
        self._filling, self._filled = self._empty(samples.dtype), 0
        self._blocks_in += 1

    def _ready(self, all_in: bool = False) -> list[Lanes]:
        """Return the blocks for which all that they depend on is known."""
        out = []
        ahead = self._operator.reach // _BLOCK
        while self._fitted and (all_in or self._blocks_in > self._blocks_out + ahead):
            out.append(self._leave())
            self._returned += out[-1].shape[-1]
        return out

    def _leave(self) -> Lanes:
        plan, number = self._operator, self._blocks_out
        ahead = plan.reach // _BLOCK
        around = range(number - ahead, number + ahead + 1)
        empty = (
            np.zeros((self._lanes, self._channels, _BLOCK)),
            np.zeros((self._channels, _BLOCK)),
        )
        parts = [self._across.get(one, empty) for one in around]
        above = np.concatenate([part[0] for part in parts], axis=-1)
        below = np.concatenate([part[1] for part in parts], axis=-1)
        # One period more on either side, so that the sound can be joined up to the next block.
        first = number * _BLOCK
        level = levels(
            above, below, (number - ahead) * _BLOCK, range(first - 1, first + _BLOCK + 1),
            plan.half_bins, plan.breaks,
        )  # fmt: skip
        amplitudes = level[..., None] * plan.hum.hum_at(plan.frames, first - 1, _BLOCK + 2)
        samples, hop = self._fitted.pop(0), plan.frames.hop
        if samples.dtype == np.float32:
            amplitudes = amplitudes.astype(np.complex64)
        # Sound begins hop // 2 into the period before.
        start, at = hop - self._half, 0
        for low in range(0, _BLOCK + 1, _SOUND):
            sound = plan.frames.sound(amplitudes[..., low : low + _SOUND + 1, :])[..., start:]
            part = samples[..., at : at + sound.shape[-1]]
            part -= sound[..., : part.shape[-1]]
            start, at = 0, at + part.shape[-1]
        self._across.pop(number - ahead, None)
        self._blocks_out += 1
        return samples


def levels(
    above: Samples,
    below: Reals,
    first: int,
    wanted: range,
    half_bins: NDArray[np.int8],
    breaks: tuple[int, ...],
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
    half_bins, breaks
        See `HumProjection`.

    Returns
    -------
    ndarray of shape (lanes, channels, wanted)
    """
    lanes, channels, count = above.shape
    out = np.zeros((lanes, channels, len(wanted)))
    edges = [first, *(one for one in breaks if first < one < first + count), first + count]
    bins = (first // BIN) + np.arange(count // BIN)
    for low, high in itertools.pairwise(edges):
        periods = np.arange(max(wanted[0], low), min(wanted[-1] + 1, high))
        if periods.size == 0:
            continue
        inside = (np.arange(first, first + count) >= low) & (np.arange(first, first + count) < high)
        top, bottom = averaged(above * inside), averaged(below * inside)
        # Levels at the centres of bins, those that lie in the stretch or beside it.
        at = np.arange(periods[0] // BIN - 1, periods[-1] // BIN + 2)
        at = at[(at >= bins[0]) & (at <= bins[-1])]
        rows = at - bins[0]
        level = np.empty((lanes, channels, at.size))
        for channel in range(channels):
            half = half_bins[channel, np.clip(at, 0, half_bins.shape[1] - 1)]
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


def hann_rows(rows: NDArray[np.int_], half: NDArray[np.int8], count: int) -> Reals:
    """Hann windows around rows, `half` to either side, shape (rows, count)."""
    away = np.arange(count) - rows[:, None]
    width = (half + 1)[:, None]
    window: Reals = np.where(np.abs(away) < width, 0.5 + 0.5 * np.cos(np.pi * away / width), 0.0)
    return window
