"""Amplitudes of mains harmonics, period by period, and back to sound."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples

Amplitudes = NDArray[np.complex128]


@dataclass(frozen=True)
class LineFrames:
    """Cuts a signal in frames of two mains periods, one new period each, for given harmonics.

    Frame k is centred on frame-of-audio k * hop. The amplitude of harmonic h in it is that of
    a e^(2 pi i h f n / fs), n counted from the start of the recording, so that a steady hum of
    frequency f has the same complex amplitude in every frame.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in Hz.
    mains_hz : float
        Mean mains frequency in Hz.
    harmonics : tuple of int
        Numbers of the harmonics, below half the sampling rate.
    """

    rate_hz: int
    mains_hz: float
    harmonics: tuple[int, ...]

    @cached_property
    def hop(self) -> int:
        """Frames of audio from one frame to the next: one mains period, to the sample."""
        return round(self.rate_hz / self.mains_hz)

    @cached_property
    def _window(self) -> NDArray[np.float64]:
        n = np.arange(2 * self.hop)
        window: NDArray[np.float64] = 0.5 - 0.5 * np.cos(np.pi * n / self.hop)
        return window

    @cached_property
    def _waves(self) -> NDArray[np.float64]:
        """Cosines and sines of all harmonics around a centre, shape (2 hop, 2 harmonics)."""
        n = np.arange(2 * self.hop) - self.hop
        turns = np.multiply.outer(n, self.harmonics) * (self.mains_hz / self.rate_hz)
        return np.concatenate([np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns)], axis=1)

    def _turn(self, first: int, count: int) -> Amplitudes:
        """Phase of each harmonic at the centres of frames, shape (count, harmonics)."""
        cycles = (first + np.arange(count)) * (self.hop * self.mains_hz / self.rate_hz)
        turn: Amplitudes = np.exp(-2j * np.pi * np.multiply.outer(cycles % 1.0, self.harmonics))
        return turn

    def amplitudes(self, samples: NDArray[Any], first: int) -> Amplitudes:
        """Return the amplitudes of all frames that lie wholly inside a stretch.

        Parameters
        ----------
        samples : ndarray of shape (..., periods * hop)
            Whole periods, the first beginning at frame-of-audio (first - 1) * hop.
        first : int
            Number of the first frame.

        Returns
        -------
        ndarray of complex, shape (..., periods - 1, harmonics)
        """
        periods = samples.reshape(*samples.shape[:-1], -1, self.hop)
        weighted = self._waves * (2 / self.hop * self._window)[:, None]
        halves = periods[..., :-1, :] @ weighted[: self.hop]
        halves += periods[..., 1:, :] @ weighted[self.hop :]
        count = len(self.harmonics)
        result = halves[..., :count] - 1j * halves[..., count:]
        return result * self._turn(first, periods.shape[-2] - 1)

    def samples(self, amplitudes: Amplitudes, first: int) -> Samples:
        """Return the sound between the centres of successive frames.

        Parameters
        ----------
        amplitudes : ndarray of complex, shape (..., frames, harmonics)
        first : int
            Number of the first frame.

        Returns
        -------
        ndarray of shape (..., (frames - 1) * hop)
            From frame-of-audio first * hop on.
        """
        turned = amplitudes * self._turn(first, amplitudes.shape[-2]).conj()
        parts = np.concatenate([turned.real, -turned.imag], axis=-1)
        shaped = (self._waves * self._window[:, None]).T
        sound = parts[..., :-1, :] @ shaped[:, self.hop :]
        sound += parts[..., 1:, :] @ shaped[:, : self.hop]
        flat: Samples = sound.reshape(*sound.shape[:-2], -1)
        return flat
