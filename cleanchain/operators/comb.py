"""A plain comb: notches of constant width at chosen harmonics, zero phase."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from cleanchain.operators.base import Flow, Operator
from cleanchain.operators.filter import SymmetricFilter


@dataclass(frozen=True, eq=False)
class Comb(Operator):
    """Notches at given frequencies.

    Parameters
    ----------
    filter : SymmetricFilter
        The comb as a symmetric kernel.
    width_hz : float
        Width of each notch between its points 3 dB down.
    ringing_ms : float
        Time for which the comb rings before and after a click, to 60 dB below what it takes out.
    """

    follows_driver: ClassVar[bool] = False

    filter: SymmetricFilter
    width_hz: float
    ringing_ms: float

    @classmethod
    def at(cls, mains_hz: float, harmonics: tuple[int, ...], width_hz: float, rate_hz: int) -> Comb:
        """Design a comb.

        Each notch is one minus a Gaussian of frequency, so that it rings least for its width;
        the sum of the notches is evaluated in closed form as a windowed sum of cosines.
        """
        # |H|^2 = 1/2 where 1 - exp(-x^2 / 2 s^2) = sqrt(1/2), x being half the width.
        sigma_hz = 0.5 * width_hz / np.sqrt(-2 * np.log(1 - np.sqrt(0.5)))
        sigma_s = 1 / (2 * np.pi * sigma_hz)
        half = int(np.ceil(5.5 * sigma_s * rate_hz))
        seconds = np.arange(half + 1) / rate_hz
        envelope = np.exp(-0.5 * (seconds / sigma_s) ** 2)
        envelope *= 1 / (envelope[0] + 2 * envelope[1:].sum())
        waves = np.zeros(half + 1)
        for harmonic in harmonics:
            waves += np.cos(2 * np.pi * harmonic * mains_hz * seconds)
        kernel: NDArray[np.float64] = -2 * envelope * waves
        kernel[0] += 1.0
        ringing_ms = 1000 * sigma_s * float(np.sqrt(2 * np.log(1000.0)))
        return cls(SymmetricFilter(kernel), width_hz, ringing_ms)

    def words(self) -> str:
        """Say how long the comb rings."""
        return (
            f"notches of {self.width_hz:g} Hz ring {self.ringing_ms:.0f} ms before and after "
            "each note (to -60 dB) and take notes on the harmonics with them"
        )

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return self.filter.start(lanes, channels, frames)
