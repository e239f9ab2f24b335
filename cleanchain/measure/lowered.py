"""A source at a lower rate, for what looks at low frequencies alone and need not pay for more."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples, Source, View

Reals = NDArray[np.float64]

#: Lowest rate that keeps the passband well apart from what folds back on it, in passbands.
_LEAST_RATE = 2.9
#: Kaiser 1974: a stopband 80 dB down, and the taps that it takes, from memory.
_BETA, _TAPS = 7.857, (80.0 - 7.95) / 14.36


@dataclass(frozen=True)
class Lowered(View):
    """Every so many-th frame of a source that is freed of what would fold back below a frequency.

    Parameters
    ----------
    source : Source
        What is read.
    factor : int
        By how much the rate falls; it divides the rate.
    passed_hz : float
        Up to here it holds what the source holds, to 0.01 dB, and nothing else above -80 dB.
    name : str
        What messages call it.
    """

    source: Source
    factor: int
    passed_hz: float
    name: str

    @property
    def rate_hz(self) -> int:
        """Sampling rate in Hz."""
        return self.source.rate_hz // self.factor

    @property
    def frames(self) -> int:  # type: ignore[override]
        """Number of frames."""
        return -(-self.source.frames // self.factor)

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop; the source is silent before and after itself."""
        stop = min(stop, self.frames)
        if stop <= start:
            return np.zeros((self.channels, 0))
        taps = _low_pass(self.source.rate_hz, self.rate_hz, self.passed_hz)
        half = taps.size // 2
        low, high = start * self.factor - half, (stop - 1) * self.factor + half + 1
        inside = self.source.read(max(low, 0), min(high, self.source.frames))
        after = max(high - self.source.frames, 0)
        padded = np.pad(inside, ((0, 0), (max(-low, 0), after)))
        windows = np.lib.stride_tricks.sliding_window_view(padded, taps.size, axis=1)
        out: Samples = windows[:, :: self.factor] @ taps
        return out


def lowered(source: Source, passed_hz: float) -> Source:
    """Return a source at the lowest rate that keeps all up to a frequency.

    Parameters
    ----------
    source : Source
        Of any rate.
    passed_hz : float
        Highest frequency that is kept.

    Returns
    -------
    Source
        The source itself where its rate has no fitting divisor.
    """
    most = int(source.rate_hz / (_LEAST_RATE * passed_hz))
    factor = next((n for n in range(most, 1, -1) if source.rate_hz % n == 0), 1)
    return source if factor == 1 else Lowered(source, factor, passed_hz, source.name)


@lru_cache(maxsize=8)
def _low_pass(rate_hz: int, low_rate_hz: int, passed_hz: float) -> Reals:
    """Windowed sinc from `passed_hz` to where what folds back would reach it."""
    width = (low_rate_hz - 2 * passed_hz) / rate_hz
    half = math.ceil(_TAPS / width / 2)
    at = np.arange(-half, half + 1)
    cut = low_rate_hz / 2 / rate_hz
    taps: Reals = 2 * cut * np.sinc(2 * cut * at) * np.kaiser(at.size, _BETA)
    taps.flags.writeable = False
    return taps
