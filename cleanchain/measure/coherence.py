"""What recordings of the same moment share, and the noise that each has for itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.spectrum import equivalent_dof

Reals = NDArray[np.float64]
Spectra = NDArray[np.complex128]


def cross_spectra(waves: Reals, size: int = 4096) -> tuple[Spectra, int]:
    """Average the cross-spectra of all pairs, Hann windows that overlap by half.

    Parameters
    ----------
    waves : ndarray of shape (channels, frames)
    size : int
        Frames of a segment.

    Returns
    -------
    spectra : ndarray of complex, shape (channels, channels, bins)
        Entry (i, j) is the mean of X_i conj(X_j), in no unit: only ratios are used.
    segments : int
    """
    window = np.hanning(size + 1)[:-1]
    total: Spectra = np.zeros((len(waves), len(waves), size // 2 + 1), dtype=complex)
    starts = range(0, waves.shape[1] - size + 1, size // 2)
    for start in starts:
        seen = np.fft.rfft(waves[:, start : start + size] * window)
        total += seen[:, None] * np.conj(seen[None, :])
    total /= max(len(starts), 1)
    return total, len(starts)


def averages(size: int, segments: int) -> float:
    """Independent averages of overlapping segments, for the formulas below."""
    return equivalent_dof(size, 0.5, segments) / 2


def squared_coherence(spectra: Spectra) -> Reals:
    """Magnitude-squared coherence of the first two channels, (bins,), 0 to 1."""
    power = (spectra[0, 0] * spectra[1, 1]).real
    coherence: Reals = np.abs(spectra[0, 1]) ** 2 / np.maximum(power, 1e-300)
    return np.clip(coherence, 0.0, 1.0)


def coherence_bias(coherence: Reals, count: float) -> Reals:
    """Return the expected excess of a measured coherence.

    Carter, Knapp and Nuttall 1973, from memory.
    """
    return (1 - coherence) ** 2 / count


def coherence_sd(coherence: Reals, count: float) -> Reals:
    """Return the standard deviation of a measured coherence (Bendat and Piersol; from memory)."""
    sd: Reals = np.sqrt(2 * coherence / count) * (1 - coherence)
    return sd


def no_coherence_threshold(count: float, level: float = 0.05) -> float:
    """Coherence that independent noise exceeds with probability `level`."""
    return float(1 - level ** (1 / (count - 1))) if count > 1 else 1.0


def three_channel_noise(spectra: Spectra) -> Reals:
    """Own noise of three channels that hear one signal, shape (3, bins).

    ``N_ii = P_ii - P_ij P_ki / P_kj`` with i, j, k in turn; gains need not be known (Sleeman, van
    Wettum and Trampert 2006, BSSA 96:258-271). A negative value says that chance was larger.
    """
    noise = []
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        shared = spectra[i, j] * spectra[k, i] / spectra[k, j]
        noise.append((spectra[i, i] - shared).real)
    return np.array(noise)


def two_channel_noise(spectra: Spectra) -> Reals:
    """Own noise of channel 1 where both gains are the same: P11 - |P12| (Holcomb 1989), (bins,).

    A gain mismatch e falsifies it by e times the power of the signal.
    """
    noise: Reals = spectra[0, 0].real - np.abs(spectra[0, 1])
    return noise
