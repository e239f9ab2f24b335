"""New hiss with the spectrum of a given one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples

#: Length of a grain, s: it parts the spectrum to about 10 Hz.
GRAIN_S = 8192 / 48_000
#: Grains that are transformed together, and phases that there are.
_BATCH, _PHASES = 64, 4096


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
    look = (np.sqrt(8 / 3) * (0.5 - 0.5 * np.cos(2 * np.pi * turn))).astype(np.float32)
    window = np.sin(np.pi * (turn + 0.5 / size)).astype(np.float32)
    circle = np.exp(2j * np.pi * np.arange(_PHASES) / _PHASES).astype(np.complex64)
    count = frames // half + 2
    out = np.zeros((hiss.shape[0], (count + 1) * half))
    starts = _starts(hiss, size, count, rng)
    # In single precision, which numpy keeps to only where the forward transform is scaled.
    pieces = np.lib.stride_tricks.sliding_window_view(hiss.astype(np.float32), size, axis=1)
    for first in range(0, count, _BATCH):
        chosen = starts[first : first + _BATCH]
        spectra = np.fft.rfft(pieces[:, chosen] * look, norm="forward")
        turns = rng.integers(0, _PHASES, (chosen.size, half + 1), dtype=np.uint16)
        turns[:, [0, -1]] = 0
        spectra *= circle[turns]
        grains = window * np.fft.irfft(spectra, size, norm="forward")
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
