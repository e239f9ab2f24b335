"""Hum taken out by a weighted projection on its known waveform, along a known path of the mains."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.operators.base import Flow, Lanes, Operator
from cleanchain.operators.expected_hum import ExpectedHum
from cleanchain.operators.harmonics import HarmonicFrames, Reals
from cleanchain.operators.hum_level import BIN, edges_of, levels

#: Periods that are worked on together, a multiple of `BIN`.
_BLOCK = 64 * BIN
#: Periods that are put to sound at a time, few enough to stay near the processor.
_SOUND = 64


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
        Samples at which another stretch begins; no level looks across.
    fades : tuple of int
        For each break, the samples that it takes, around its place; 0 for a cut.
    jumps : tuple of int
        Samples at which another path of the phase begins, in the hum as well.

    Notes
    -----
    The sound of a period fades over to that of the next, but at a jump or a break it is cut to
    the sample, or faded as long as the break takes: what is left beside a switch of the hum would
    be a click of our own.
    """

    follows_driver: ClassVar[bool] = False

    frames: HarmonicFrames
    hum: ExpectedHum
    half_bins: NDArray[np.int8]
    breaks: tuple[int, ...]
    fades: tuple[int, ...]
    jumps: tuple[int, ...]

    @cached_property
    def reach(self) -> int:
        """Periods before and after one that its level depends on, whole blocks."""
        periods = (2 * int(self.half_bins.max(initial=0)) + 1) * BIN + 2 * BIN + self.margin
        return -(-periods // _BLOCK) * _BLOCK

    @cached_property
    def margin(self) -> int:
        """Periods before and after a block whose hum sounds in it."""
        return 1 + max((-(-fade // self.frames.hop) for fade in self.fades), default=0)

    @cached_property
    def cuts(self) -> dict[int, int]:
        """Samples at which the hum is another one from then on, and how long that takes."""
        return dict.fromkeys(self.jumps, 0) | dict(zip(self.breaks, self.fades, strict=True))

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
        hop = plan.frames.hop
        hum, trust = plan.hum.at(plan.frames, self._blocks_in * _BLOCK, _BLOCK)
        parts = np.concatenate([hum.real, -hum.imag], axis=-1)
        wanted = parts * np.concatenate([trust, trust], axis=-1)
        above = np.einsum("lckh,ckh->lck", plan.frames.fit_parts(samples), wanted)
        below = np.einsum("ckh,ckh->ck", parts, wanted)
        # A last period that is cut off says nothing, nor does one with another hum from its midst.
        number = self._blocks_in * _BLOCK + np.arange(_BLOCK)
        inside = (number < self._frames // plan.frames.hop) & ~cut_periods(plan.cuts, number, hop)
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
        hop = plan.frames.hop
        ahead = plan.reach // _BLOCK
        around = range(number - ahead, number + ahead + 1)
        empty = (
            np.zeros((self._lanes, self._channels, _BLOCK)),
            np.zeros((self._channels, _BLOCK)),
        )
        parts = [self._across.get(one, empty) for one in around]
        above = np.concatenate([part[0] for part in parts], axis=-1)
        below = np.concatenate([part[1] for part in parts], axis=-1)
        # Some periods more on either side, so that the sound can be joined up to the next block.
        first, margin = number * _BLOCK, plan.margin
        level = levels(
            above, below, (number - ahead) * _BLOCK,
            range(first - margin, first + _BLOCK + margin),
            plan.half_bins, edges_of(plan.breaks, hop, self._frames // hop),
        )  # fmt: skip
        own = level[..., margin - 1 : margin + _BLOCK + 1]
        amplitudes = own[..., None] * plan.hum.hum_at(plan.frames, first - 1, _BLOCK + 2)
        samples = self._fitted.pop(0)
        if samples.dtype == np.float32:
            amplitudes = amplitudes.astype(np.complex64)
        # Sound begins hop // 2 into the period before.
        start, at = hop - self._half, 0
        for low in range(0, _BLOCK + 1, _SOUND):
            sound = plan.frames.sound(amplitudes[..., low : low + _SOUND + 1, :])[..., start:]
            part = samples[..., at : at + sound.shape[-1]]
            part -= sound[..., : part.shape[-1]]
            start, at = 0, at + part.shape[-1]
        for cut, fade in plan.cuts.items():
            self._cut(samples, cut, fade, first, level)
        self._across.pop(number - ahead, None)
        self._blocks_out += 1
        return samples

    def _cut(self, samples: Lanes, cut: int, fade: int, first: int, level: Samples) -> None:
        """Put the change of the hum where it is, in a block that begins with a period `first`.

        The levels begin some periods earlier.
        """
        plan, hop = self._operator, self._operator.frames.hop
        begin, end = first - plan.margin, first + _BLOCK + plan.margin
        # From the centre of one period to that of another, all of the fade between them.
        low = max((cut - fade // 2 - self._half) // hop, begin)
        high = min(-(-(cut + fade // 2 - self._half) // hop), end - 1)
        if high <= low:
            return
        after = round(cut / hop)  # the first period that belongs to what follows
        number = np.arange(low, high + 1)
        edge_s = (cut - 0.5) / plan.frames.rate_hz
        sounds = []
        for at, from_s, to_s in (
            (number, -np.inf, np.inf),
            (np.minimum(number, after - 1), -np.inf, edge_s),
            (np.maximum(number, after), edge_s, np.inf),
        ):
            held = level[..., np.clip(at if cut in plan.breaks else number, begin, end - 1) - begin]
            hum = plan.hum.hum_at(plan.frames, low, number.size, from_s, to_s)
            amplitudes = held[..., None] * hum
            if samples.dtype == np.float32:
                amplitudes = amplitudes.astype(np.complex64)
            sounds.append(plan.frames.sound(amplitudes))
        start = low * hop + self._half
        part = faded(start + np.arange(sounds[0].shape[-1]) - cut, fade).astype(samples.dtype)
        wrong = sounds[0] - sounds[1] - part * (sounds[2] - sounds[1])
        start -= first * hop
        begin, end = max(start, 0), min(start + wrong.shape[-1], samples.shape[-1])
        if begin < end:
            samples[..., begin:end] += wrong[..., begin - start : end - start]


def faded(since: NDArray[np.int_], fade: int) -> Reals:
    """Return how much of what follows is there, at samples counted from the middle of a fade."""
    return np.clip((since + 0.5) / fade + 0.5, 0.0, 1.0) if fade else (since >= 0).astype(float)


def cut_periods(cuts: dict[int, int], number: NDArray[np.int_], hop: int) -> NDArray[np.bool_]:
    """Mark the periods, of ascending numbers, in which the hum changes."""
    marked = np.zeros(number.size, dtype=bool)
    for cut, fade in cuts.items():
        low, high = (cut - fade // 2) // hop, -(-(cut + fade // 2) // hop)
        marked[slice(*np.searchsorted(number, [low, high]))] = True
    return marked
