"""Amplitudes of mains harmonics, period by period, and back to sound."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples

Reals = NDArray[np.float64]
Amplitudes = NDArray[np.complex128]

#: How many of the first harmonics are fitted together even where only some are asked for, so that
#: a strong one cannot leak into another when a period is no whole number of samples.
_FITTED = 8


@dataclass(frozen=True)
class HarmonicFrames:
    """Cuts a signal in periods of the mains and fits given harmonics to each.

    Period k holds the samples k * hop ... (k + 1) * hop - 1.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in Hz.
    mains_hz : float
        Mains frequency in Hz, to within a percent.
    harmonics : tuple of int
        Numbers of the harmonics, ascending, below half the sampling rate.
    period_frames : int or None, optional
        Samples that are taken for one period; None takes them from the frequency.
    """

    rate_hz: int
    mains_hz: float
    harmonics: tuple[int, ...]
    period_frames: int | None = None

    @cached_property
    def hop(self) -> int:
        """Samples of one period, to the sample."""
        return self.period_frames or round(self.rate_hz / self.mains_hz)

    @property
    def period_s(self) -> float:
        """Seconds from one period to the next."""
        return self.hop / self.rate_hz

    def periods(self, frames: int) -> int:
        """Return how many periods cover a recording, the last one filled up with silence."""
        return -(-frames // self.hop)

    def seconds(self, count: int, first: int = 0) -> Reals:
        """Return the times of the centres of periods."""
        centres: Reals = np.asarray(
            (first + np.arange(count) + 0.5) * self.period_s - 0.5 / self.rate_hz, dtype=np.float64
        )
        return centres

    def _waves(self, harmonics: tuple[int, ...]) -> Reals:
        """Cosines, then sines, around the centre of a period, shape (hop, 2 harmonics)."""
        n = np.arange(self.hop) - (self.hop - 1) / 2
        turns = np.multiply.outer(n, harmonics) * (2 * np.pi * self.mains_hz / self.rate_hz)
        return np.concatenate([np.cos(turns), np.sin(turns)], axis=1)

    @cached_property
    def _fit(self) -> Reals:
        """Least-squares fit of the harmonics to a period, shape (hop, 2 harmonics)."""
        most = int(0.49 * self.rate_hz / self.mains_hz)
        asked = set(self.harmonics) | set(range(1, min(_FITTED, most) + 1))
        fitted = tuple(sorted(asked))
        at = [fitted.index(h) for h in self.harmonics]
        # Over a period the waves are nearly orthogonal: their normal equations are as good as any.
        waves = self._waves(fitted)
        chosen = at + [len(fitted) + index for index in at]
        gram = np.linalg.inv(waves.T @ waves)
        return np.ascontiguousarray(waves @ gram[:, chosen])

    @cached_property
    def _fit_single(self) -> NDArray[np.float32]:
        return self._fit.astype(np.float32)

    @cached_property
    def _shaped_single(self) -> NDArray[np.float32]:
        return self._shaped.astype(np.float32)

    @cached_property
    def _shaped(self) -> Reals:
        """Waves from one centre to the next, fading out, then fading in, (4 harmonics, hop)."""
        since = np.arange(self.hop) + self.hop // 2 - (self.hop - 1) / 2  # the centre before
        ramp = since / self.hop
        radians = 2 * np.pi * self.mains_hz / self.rate_hz
        shaped = []
        for away, weight in ((since, 1 - ramp), (since - self.hop, ramp)):
            turns = radians * np.multiply.outer(self.harmonics, away)
            shaped.append(np.concatenate([np.cos(turns), -np.sin(turns)]) * weight)
        return np.concatenate(shaped)

    def cycles(self, first: int, count: int) -> Reals:
        """Return the phase of a steady mains at the centres of periods, in cycles modulo 1."""
        centres = (first + np.arange(count)) * self.hop + (self.hop - 1) / 2
        phase: Reals = np.mod(centres * (self.mains_hz / self.rate_hz), 1.0, dtype=np.float64)
        return phase

    def fit(self, samples: Samples) -> Amplitudes:
        """Fit the harmonics to whole periods.

        Parameters
        ----------
        samples : ndarray of shape (..., periods * hop)

        Returns
        -------
        ndarray of complex, shape (..., periods, harmonics)
            Amplitudes a of Re a e^(2 pi i h f (n - c) / fs), c being the centre of each period.
        """
        return _complex(self.fit_parts(samples))

    def fit_parts(self, samples: NDArray[Any]) -> NDArray[Any]:
        """Do the same, as real parts and then imaginary parts with their sign changed.

        In single precision where the samples are, and twice as fast.
        """
        periods = samples.reshape(*samples.shape[:-1], -1, self.hop)
        fit = self._fit_single if samples.dtype == np.float32 else self._fit
        parts: NDArray[Any] = periods @ fit
        return parts

    def fit_single(self, samples: Samples) -> NDArray[np.complex64]:
        """Do the same in single precision: good for looking."""
        return _complex(self.fit_parts(samples.astype(np.float32)))

    def sound(self, amplitudes: NDArray[Any]) -> NDArray[Any]:
        """Return the sound between the centres of successive periods.

        Parameters
        ----------
        amplitudes : ndarray of complex, shape (..., periods, harmonics)
            As `fit` gives them; the sound is as precise as they are.

        Returns
        -------
        ndarray of shape (..., (periods - 1) * hop)
            It begins at sample hop // 2 of the first period.
        """
        before, after = amplitudes[..., :-1, :], amplitudes[..., 1:, :]
        parts = [before.real, before.imag, after.real, after.imag]
        joined = np.concatenate(parts, axis=-1)
        sound = joined @ (self._shaped_single if joined.dtype == np.float32 else self._shaped)
        flat: NDArray[Any] = sound.reshape(*sound.shape[:-2], -1)
        return flat


def _complex(parts: NDArray[Any]) -> NDArray[Any]:
    count = parts.shape[-1] // 2
    kind = np.complex64 if parts.dtype == np.float32 else np.complex128
    joined = np.empty((*parts.shape[:-1], count), dtype=kind)
    joined.real = parts[..., :count]
    np.negative(parts[..., count:], out=joined.imag)
    return joined


def turned(cycles: Reals, harmonics: tuple[int, ...]) -> Amplitudes:
    """Return e^(2 pi i h c) for phases c in cycles, shape (phases, harmonics)."""
    return _powers(np.exp(2j * np.pi * cycles), harmonics, np.complex128)


def turned_back(cycles: Reals, harmonics: tuple[int, ...]) -> NDArray[np.complex64]:
    """Return e^(-2 pi i h c) in single precision."""
    return _powers(np.exp(-2j * np.pi * cycles), harmonics, np.complex64)


def _powers(basic: Amplitudes, harmonics: tuple[int, ...], kind: Any) -> NDArray[Any]:
    """Powers of the fundamental's turn, exact to rounding and cheaper than so many sines."""
    out = np.empty((len(harmonics), basic.size), dtype=kind)
    power, number = np.ones(basic.size, dtype=np.complex128), 0
    for index, harmonic in enumerate(harmonics):
        while number < harmonic:
            power, number = power * basic, number + 1
        out[index] = power
    return np.ascontiguousarray(out.T)
