"""A gain in time and frequency on long frames, and on short ones where something rises.

A long frame that an attack falls into opens all over its length, lets the hiss before the attack
through and takes from the attack what is short. Short frames do neither, but blur partials. So
long ones work wherever nothing rises, and around a rise the sound goes over to short ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.operators.base import Flow, GridFlow, Lanes, Operator
from cleanchain.operators.short_time import HOPS_A_STEP, ShortTimeGain

#: Short hops in a long one.
SHORTER = 5
#: Something rises where frames open by this factor over this many hops, and by this much: less
#: happens by chance in the hiss, where short frames only do harm. The less a gate closes, the less
#: they do: so much is asked for times the square of how far it closes.
_RISE_HOPS, _RISE, _LEAST_RISE = 2, 1.2, 0.12
#: So many hops more belong to the attack, and so much of one is a crossfade at either end.
_AFTER_HOPS, _RAMP_HOPS = 1, 0.75
#: Part of the band below which all bins together count as one octave.
_LOWEST_PART = 1 / 256


@dataclass(frozen=True, eq=False)
class TwoFrames(Operator):
    """Gains on long frames, and on short ones where something rises.

    Parameters
    ----------
    long, short : ShortTimeGain
        The hop of the short one is that of the long one over `SHORTER`; its context lies within
        that of the long one.
    least : float
        Gain of noise alone.
    """

    long: ShortTimeGain
    short: ShortTimeGain
    least: float

    @property
    def context(self) -> int:
        """Frames of audio before and after a sample that its output depends on."""
        return self.long.context

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return _TwoFramesFlow(self, lanes, channels, frames)

    def opened(self, gains: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return how far frames open beyond the least gain, every octave alike, (times,)."""
        bins = gains.shape[2]
        weights = 1 / np.maximum(np.arange(bins), _LOWEST_PART * bins)
        weights /= gains.shape[0] * weights.sum()
        sums = sum(one @ weights.astype(np.float32) for one in gains)
        return np.maximum(np.asarray(sums, dtype=np.float64) - self.least, 1e-4)


class _TwoFramesFlow(GridFlow):
    def __init__(self, operator: TwoFrames, lanes: int, channels: int, frames: int) -> None:
        self._two = operator
        self._hop = operator.long.frames.hop
        super().__init__(
            lanes,
            channels,
            frames,
            step=HOPS_A_STEP * self._hop,
            context=operator.context,
            ahead=True,
        )

    def _window(self, window: Lanes, start: int) -> Lanes:
        two, hop = self._two, self._hop
        out, gains = two.long.through(window)
        opened = two.opened(gains)
        # Frame f is centred on the start of hop f - 2 of those that the window answers for.
        rise = opened[_RISE_HOPS:] - opened[:-_RISE_HOPS]
        least = _LEAST_RISE * (1 - two.least) ** 2
        rises = rise > np.maximum((_RISE - 1) * opened[:-_RISE_HOPS], least)
        risen = np.convolve(rises, np.ones(_RISE_HOPS + _AFTER_HOPS, dtype=int)) > 0
        for first, stop in _runs(risen[2 : 2 + self._step // hop]):
            span = slice(first * hop, stop * hop)
            context = two.short.context
            at = self._context + span.start - context
            piece = window[..., at : at + span.stop - span.start + 2 * context]
            short, _ = two.short.through(piece)
            ramp = np.minimum((np.arange(span.stop - span.start) + 0.5) / (_RAMP_HOPS * hop), 1.0)
            out[..., span] += (ramp * ramp[::-1]).astype(out.dtype) * (short - out[..., span])
        return out


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and one past last of every run of flags."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    return [(int(first), int(stop)) for first, stop in edges.reshape(-1, 2)]
