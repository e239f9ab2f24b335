"""What a linear step did to a signal and to a noise that are known apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples

#: Smallest error that is told, so that an identity has a number, dB.
ERROR_FLOOR_DB = -120.0
#: How far below the noise a signal lies where the noise is heard alone, dB.
MASKED_BELOW_DB = 20.0
#: Tiles of a bin, and bins of an octave, that their kurtosis can be told from.
_LEAST_TILES, _LEAST_BINS = 50, 8
#: Lower edge of the lowest octave, and what nobody hears above, Hz.
_LOWEST_EDGE_HZ, _HIGHEST_HZ = 22.4, 20_000.0


def noise_removed_db(
    noise: Samples,
    left: Samples,
    signal_gain: float,
    weights: NDArray[np.float64] | None = None,
) -> float | None:
    """Fall of a noise at equal signal level, dB; None where there was no noise.

    Parameters
    ----------
    noise, left : ndarray of shape (channels, frames)
        The noise before and after.
    signal_gain : float
        Best-fitting gain of the signal, so that a plain gain counts as nothing.
    weights : ndarray of shape (frames,), optional
        How much each frame counts; all alike without it.
    """
    powers = [np.einsum("cf,cf->f", one, one) for one in (noise, left)]
    before, after = (float(np.sum(one) if weights is None else one @ weights) for one in powers)
    if before == 0.0:
        return None
    return _ratio_db(signal_gain**2 * before, after)


def signal_lost_db(signal: Samples, kept: Samples, declared_gain: float) -> float | None:
    """Fall of the signal's own level, dB, a declared gain taken out; None without a signal."""
    before, after = float(np.sum(signal**2)), float(np.sum(kept**2))
    if before == 0.0:
        return None
    return _ratio_db(declared_gain**2 * before, after)


def signal_error_db(signal: Samples, kept: Samples) -> float | None:
    """Power of the damage relative to the signal, dB, at the best-fitting gain.

    10 lg(sum (As - g s)^2 / sum (g s)^2) with g = <As, s> / <s, s>; never below -120. This is
    minus the scale-invariant signal-to-distortion ratio of Le Roux et al. (2019,
    arXiv:1811.02508, eq. 3).
    """
    gain = best_gain(signal, kept)
    if gain is None:
        return None
    wanted = float(np.sum((gain * signal) ** 2))
    error = float(np.sum((kept - gain * signal) ** 2))
    return max(_ratio_db(error, wanted), ERROR_FLOOR_DB)


def best_gain(signal: Samples, kept: Samples) -> float | None:
    """Gain of the signal that comes nearest to what was kept of it; None without a signal."""
    power = float(np.sum(signal**2))
    return float(np.sum(kept * signal)) / power if power > 0.0 else None


def _ratio_db(one: float, other: float) -> float:
    """10 lg(one / other), held within +-200 dB."""
    if other <= 0.0:
        return 200.0 if one > 0.0 else 0.0
    return float(np.clip(10 * np.log10(max(one / other, 1e-20)), -200.0, 200.0))


@dataclass(frozen=True)
class Tiles:
    """Short-time power spectra of a signal, of shape (channels, times, bins).

    Parameters
    ----------
    power : ndarray of float32, shape (channels, times, bins)
        Power a bin, on frames that overlap by half.
    bin_hz : float
        Width of a bin.
    hop_s : float
        Time from frame to frame.
    """

    power: NDArray[np.float32]
    bin_hz: float
    hop_s: float


def tiles(samples: Samples, rate_hz: int, frame_s: float = 0.04) -> Tiles:
    """Cut a signal into Hann-windowed frames and return their power spectra."""
    size = int(2 * round(frame_s * rate_hz / 2))
    hop = size // 2
    # Single precision is 140 dB below the loudest bin, and half the work; numpy keeps to it only
    # where the forward transform is scaled, so the window undoes that.
    padded = np.pad(samples.astype(np.float32), ((0, 0), (hop, size)))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size, axis=-1)[:, ::hop]
    window = (size * (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size))).astype(np.float32)
    spectra: Any = np.fft.rfft(frames * window, norm="forward")
    return Tiles(spectra.real**2 + spectra.imag**2, rate_hz / size, hop / rate_hz)


def musical_noise(noise: Tiles, left: Tiles, signal: Tiles) -> float | None:
    """Kurtosis ratio of the residual noise where it is heard alone: 1 natural, above 3 it chirps.

    Parameters
    ----------
    noise, left, signal : Tiles
        Short-time powers of the noise before and after, and of the signal.

    Returns
    -------
    float or None
        None where no octave has enough tiles with the signal 20 dB or more below the noise.

    Notes
    -----
    Kurtosis of power-spectral samples, fourth raw moment over squared second, output over input
    (Uemura et al. 2008, from memory), bin by bin, so that the colour of the noise plays no part:
    the median over the bins of an octave, of the octave in which it is greatest. A moment of the
    eighth order over all bins together would be decided by the few tiles beside a note, and come
    out ten times larger or smaller with the next draw of the same hiss. That 3 is where it chirps
    is common practice, no source.
    """
    level = noise.power.mean(axis=1, keepdims=True)
    alone = (signal.power <= 10 ** (-MASKED_BELOW_DB / 10) * level) & (level > 0)
    ratio = _kurtosis(left.power, alone) / _kurtosis(noise.power, alone)
    ratio = ratio[:, : int(_HIGHEST_HZ / noise.bin_hz) + 1]
    hz = np.arange(ratio.shape[1]) * noise.bin_hz
    octave = np.floor(np.log2(np.maximum(hz, 1.0) / _LOWEST_EDGE_HZ)).astype(int)
    greatest = None
    for number in range(max(octave.max() + 1, 0)):
        ratios = ratio[:, octave == number]
        ratios = ratios[np.isfinite(ratios)]
        if ratios.size >= _LEAST_BINS:
            greatest = max(greatest or 0.0, float(np.median(ratios)))
    return greatest


def _kurtosis(power: NDArray[np.float32], alone: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Kurtosis of the marked tiles of each bin, NaN where they are few, (channels, bins)."""
    count = alone.sum(axis=1)
    # Scaled by the largest, or the fourth power would leave the range of single precision.
    top = np.maximum(power.max(axis=1, keepdims=True), np.float32(1e-30))
    squared = np.where(alone, power / top, np.float32(0)) ** 2
    second, fourth = squared.sum(axis=1, dtype=float), (squared**2).sum(axis=1, dtype=float)
    enough = (count >= _LEAST_TILES) & (second > 0)
    kurtosis: NDArray[np.float64] = np.full(count.shape, np.nan)
    np.divide(count * fourth, second**2, out=kurtosis, where=enough)
    return kurtosis
