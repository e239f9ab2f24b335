"""A take moved in time onto another one's clock, and brought to its level."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples, Source, View

Reals = NDArray[np.float64]

#: Taps of the interpolation and steps between two frames: -90 dB up to 0.41 of the rate.
_TAPS, _STEPS = 64, 1024
_BETA = 9.0
_BLOCK = 1 << 14


@dataclass(frozen=True)
class Moved(View):
    """A source read at other moments: frame n is that at ``first + n`` on the other clock.

    Parameters
    ----------
    source : Source
        What is read.
    lag_frames, drift_ppm : float
        It is late by `lag_frames` at frame 0 of the other clock, and ever more by `drift_ppm`.
    first, frames : int
        First frame of the other clock, and how many.
    gain : float
        Factor, negative to turn it over.
    name : str
        What messages call it.
    """

    source: Source
    lag_frames: float
    drift_ppm: float
    first: int
    frames: int
    gain: float
    name: str

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, interpolated; silence where the source has none."""
        if self.drift_ppm == 0 and self.lag_frames == int(self.lag_frames):
            late = self.first + int(self.lag_frames)
            return self.gain * self._cut(start + late, stop + late)
        parts = [np.empty((self.channels, 0))]
        for low in range(start, stop, _BLOCK):
            parts.append(self._read(low, min(low + _BLOCK, stop)))
        return np.concatenate(parts, axis=1)

    def _read(self, start: int, stop: int) -> Samples:
        clock = np.arange(start, stop) + self.first
        at = clock * (1 + 1e-6 * self.drift_ppm) + self.lag_frames
        whole = np.floor(at).astype(int)
        low, high = int(whole[0]) - _TAPS // 2 + 1, int(whole[-1]) + _TAPS // 2 + 1
        samples = self._cut(low, high)
        step = (at - whole) * _STEPS
        near = np.minimum(step.astype(int), _STEPS - 1)
        part = (step - near)[:, None]
        table = _kernels()
        kernel = table[near] * (1 - part) + table[near + 1] * part
        windows = np.lib.stride_tricks.sliding_window_view(samples, _TAPS, axis=1)
        out: Samples = np.einsum("cnt,nt->cn", windows[:, whole - whole[0]], kernel)
        return self.gain * out

    def _cut(self, low: int, high: int) -> Samples:
        """Return frames of the source, zeros where it has none."""
        start = min(max(low, 0), self.source.frames)
        stop = max(min(high, self.source.frames), start)
        inside = self.source.read(start, stop)
        before = min(max(-low, 0), high - low)
        return np.pad(inside, ((0, 0), (before, high - low - before - inside.shape[1])))


@lru_cache(maxsize=1)
def _kernels() -> Reals:
    """Windowed sinc for every step between two frames, shape (steps + 1, taps)."""
    away = np.arange(_TAPS) - (_TAPS // 2 - 1) - np.arange(_STEPS + 1)[:, None] / _STEPS
    inside = np.clip(1 - (away / (_TAPS / 2)) ** 2, 0.0, None)
    kernels: Reals = np.sinc(away) * np.i0(_BETA * np.sqrt(inside)) / np.i0(_BETA)
    kernels.flags.writeable = False
    return kernels
