"""Hum taken out by a weighted projection on its harmonics, along a known path of the mains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from cleanchain.operators.base import Flow, GridFlow, Lanes, Operator
from cleanchain.operators.line_frames import Amplitudes, LineFrames

#: Mains periods that one step of the grid answers for.
_PERIODS_A_STEP = 400


@dataclass(frozen=True, eq=False)
class LineProjection(Operator):
    """Subtract, period by period, what a lane has in common with an expected hum.

    In the frame k the hum of harmonic h is expected to be ``shape[c, h] * level[k]`` turned by
    h times ``phase[k]``. Over the frames around k, weighed by a window, the complex factor u with
    the least squared difference between lane and u times the expected hum is found, and that hum
    is subtracted. With phase and level given, this is linear.

    Parameters
    ----------
    frames : LineFrames
        Cuts the lanes.
    count : int
        How many frames there are.
    stride : int
        Frames from one of the following values to the next; between them lie straight lines.
    phase : ndarray of shape (times,)
        Phase of the mains beyond the steady turn of ``frames``, rad.
    level : ndarray of shape (times,)
        Expected level of the hum relative to its shape, >= 0.
    shape : ndarray of complex, shape (channels, harmonics)
        Expected amplitudes at level 1.
    half_frames : tuple of int
        For each harmonic, frames before and after that one factor is found from.
    share : ndarray of shape (channels, harmonics)
        Part of the hum that is subtracted, up to 1: the rest fills the hole to the floor around.
    """

    follows_driver: ClassVar[bool] = False

    frames: LineFrames
    count: int
    stride: int
    phase: NDArray[np.float64]
    level: NDArray[np.float64]
    shape: Amplitudes
    half_frames: tuple[int, ...]
    share: NDArray[np.float64]

    @property
    def reach(self) -> int:
        """Mains periods before and after a sample that its output depends on."""
        return max(self.half_frames) + 2

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return _ProjectionFlow(self, lanes, channels, frames)


class _ProjectionFlow(GridFlow):
    def __init__(self, operator: LineProjection, lanes: int, channels: int, frames: int) -> None:
        self._operator = operator
        hop = operator.frames.hop
        super().__init__(
            lanes,
            channels,
            frames,
            step=_PERIODS_A_STEP * hop,
            context=operator.reach * hop,
            ends="zero",
        )

    def _window(self, window: Lanes, start: int) -> Lanes:
        plan = self._operator
        reach, hop = plan.reach, plan.frames.hop
        middle = start // hop
        first = middle - reach + 1
        seen = plan.frames.amplitudes(
            window, first
        )  # frames first ... middle + periods + reach - 1
        number = first + np.arange(seen.shape[-2])
        inside = ((number >= 0) & (number < plan.count))[:, None]
        at, times = np.clip(number, 0, plan.count - 1) / plan.stride, np.arange(plan.phase.size)
        phase, level = np.interp(at, times, plan.phase), np.interp(at, times, plan.level)
        turn = np.exp(1j * np.multiply.outer(phase, plan.frames.harmonics))
        expected = plan.shape[:, None] * level[:, None] * turn  # (channels, frames, harmonics)
        above = inside * expected.conj() * seen
        below = inside * np.abs(expected) ** 2
        factor = np.empty_like(seen)
        for index, half in enumerate(plan.half_frames):
            over = _around(below[..., index], half)
            under = _around(above[..., index], half)
            factor[..., index] = under / np.where(over > 0, over, 1.0)
        hum = factor * expected * plan.share[:, None]
        keep = slice(reach - 1, reach + _PERIODS_A_STEP)  # frames at middle ... middle + periods
        sound = plan.frames.samples(hum[..., keep, :], middle).astype(window.dtype)
        result: Lanes = window[..., reach * hop : -reach * hop] - sound
        return result


def _around(values: Amplitudes, half: int) -> Amplitudes:
    """Sum along the last axis over `half` frames to either side, weighed by a Hann window."""
    padded = np.pad(values, [(0, 0)] * (values.ndim - 1) + [(half, half)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=-1)
    summed: Amplitudes = windows @ np.hanning(2 * half + 3)[1:-1]
    return summed
