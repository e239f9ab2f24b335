"""High-pass: rumble, handling noise and DC out, with zero phase."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.errors import SettingError
from cleanchain.fourier import fast_length
from cleanchain.operators.filter import SymmetricFilter
from cleanchain.stages.base import Plan, Stage

#: Slope below the corner, as the order of the Butterworth magnitude that the filter follows.
ORDER = 4


@dataclass(frozen=True)
class HighPass(Stage):
    """Take out what lies below a corner frequency, 24 dB an octave.

    The magnitude is that of a Butterworth high-pass of order 4, which is 3.01 dB down at the
    corner; the phase is zero, so that nothing shifts against a second microphone.

    Parameters
    ----------
    corner_hz : float, optional
        Frequency that is 3 dB down, 5 Hz to a quarter of the sampling rate. Set it below the
        lowest note: about 70 Hz for a guitar, 30 Hz for a bass (common practice, no source).
    """

    name: ClassVar[str] = "high-pass"
    corner_hz: float = 60.0

    def __post_init__(self) -> None:
        if not self.corner_hz >= 5.0:
            raise SettingError(
                f"a corner of {self.corner_hz:g} Hz is too low",
                where=self.name,
                fix="Give 5Hz or more, or leave the stage out.",
            )

    def _design(self, take: Source, silence: Source | None) -> Plan:
        if self.corner_hz > take.rate_hz / 4:
            raise SettingError(
                f"a corner of {self.corner_hz:g} Hz is too high for {take.rate_hz} Hz audio",
                where=self.name,
                fix=f"Give {take.rate_hz / 4:g}Hz or less.",
            )
        operator = SymmetricFilter(butterworth_half_kernel(self.corner_hz / take.rate_hz))
        at = np.array([1.0, 0.5, 2.0]) * self.corner_hz / take.rate_hz
        gain_db = 20 * np.log10(np.maximum(np.abs(operator.gain_at(at)), 1e-9))
        findings = {
            "corner_gain_db": round(float(gain_db[0]), 2),
            "octave_below_gain_db": round(float(gain_db[1]), 2),
            "octave_above_gain_db": round(float(gain_db[2]), 2),
        }
        return Plan(self, operator, findings)


def butterworth_half_kernel(corner: float) -> NDArray[np.float64]:
    """Return one half of a zero-phase kernel with a Butterworth high-pass magnitude.

    Parameters
    ----------
    corner : float
        Corner frequency as a fraction of the sampling rate, 3.01 dB down.

    Returns
    -------
    ndarray of shape (half + 1,)
        From the centre outwards. The whole kernel sums to zero: DC goes out altogether.

    Notes
    -----
    |H(f)| = x^n / sqrt(1 + x^2n) with x = f / corner and n = 4 (S. Butterworth 1930, from
    memory). Its response dies away like the pole pair nearest the axis, so seven corner periods
    hold it to better than -120 dB; a raised-cosine taper closes the rest.
    """
    half = int(np.ceil(7.0 / corner))
    size = fast_length(8 * half)
    x = np.arange(size // 2 + 1) / size / corner
    kernel = np.fft.irfft(x**ORDER / np.sqrt(1 + x ** (2 * ORDER)), size)[: half + 1]
    edge = np.linspace(0.0, 1.0, half // 4)
    kernel[half + 1 - edge.size :] *= 0.5 * (1 + np.cos(np.pi * edge))
    total = kernel[0] + 2 * kernel[1:].sum()
    low_pass = kernel.copy()
    low_pass[0] -= 1.0  # what is left of a unit impulse: minus the low-pass that was taken out
    half_kernel: NDArray[np.float64] = kernel - low_pass * (
        total / (low_pass[0] + 2 * low_pass[1:].sum())
    )
    return half_kernel
