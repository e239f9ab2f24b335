"""New hiss with the spectrum of a given one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples

#: Length of a grain, s: it parts the spectrum to about 10 Hz.
GRAIN_S = 8192 / 48_000
#: Grains that are transformed together.
_BATCH = 64


def draw_hiss(hiss: Samples, frames: int, rate_hz: int, rng: np.random.Generator) -> Samples:
    """Draw new hiss with the spectrum of a given one; no stretch comes twice.

    Grains from random places, Hann-windowed so that a line or a slope stays where it is, are
    given random phases, the same in all channels so that what the channels have in common stays,
    and are overlapped at equal power.

    Parameters
    ----------
    hiss : ndarray of shape (channels, frames)
        Hiss to learn from, 64 frames at least.
    frames : int
        Length to draw.
    rate_hz : int
        Sampling rate in Hz.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    ndarray of shape (channels, frames)
    """
    half = min(round(GRAIN_S * rate_hz), hiss.shape[1]) // 2
    size = 2 * half
    turn = np.arange(size) / size
    # Of unit mean square, so that the power of the hiss comes through.
    look: NDArray[np.float64] = np.sqrt(8 / 3) * (0.5 - 0.5 * np.cos(2 * np.pi * turn))
    window: NDArray[np.float64] = np.sin(np.pi * (turn + 0.5 / size))
    count = frames // half + 2
    out = np.zeros((hiss.shape[0], (count + 1) * half))
    starts = _starts(hiss, size, count, rng)
    pieces = np.lib.stride_tricks.sliding_window_view(hiss, size, axis=1)
    for first in range(0, count, _BATCH):
        chosen = starts[first : first + _BATCH]
        spectra = np.fft.rfft(pieces[:, chosen] * look)
        phases = np.exp(2j * np.pi * rng.random((chosen.size, half + 1)))
        phases[:, [0, -1]] = 1.0
        grains = window * np.fft.irfft(spectra * phases, size)
        span = chosen.size * half
        at = first * half
        out[:, at : at + span] += grains[..., :half].reshape(hiss.shape[0], -1)
        out[:, at + half : at + half + span] += grains[..., half:].reshape(hiss.shape[0], -1)
    return out[:, half : half + frames]


def _starts(hiss: Samples, size: int, count: int, rng: np.random.Generator) -> NDArray[np.int_]:
    """Choose where grains begin, away from the loudest places: knocks are no hiss."""
    tried = rng.integers(0, hiss.shape[1] - size + 1, 2 * count)
    total = np.concatenate([[0.0], np.cumsum((hiss**2).sum(axis=0))])
    power = total[tried + size] - total[tried]
    calm: NDArray[np.int_] = tried[power <= 2.0 * np.median(power)][:count]
    return calm
