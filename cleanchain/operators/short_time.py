"""A gain in each place of time and frequency, decided by the driver, the same for all lanes."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.fourier import fast_length, irfft, rfft
from cleanchain.operators.base import Flow, GridFlow, Operator

#: Hops that one step of the grid answers for.
_HOPS_A_STEP = 192


@dataclass(frozen=True)
class Frames:
    """Overlapping frames, four hops long, with a Hann window before and after.

    Parameters
    ----------
    hop : int
        Frames of audio from one frame to the next.
    """

    hop: int

    @property
    def size(self) -> int:
        """Length of a frame; a quarter of it is new in the next one."""
        return 4 * self.hop

    @property
    def bins(self) -> int:
        """Number of frequencies, 0 to half the sampling rate."""
        return self.size // 2 + 1

    @property
    def window(self) -> NDArray[np.float64]:
        """Periodic Hann window; its squares add up to 3/2 over four hops.

        Its skirts fall by 18 dB an octave, so that a loud partial does not open the gate far off.
        """
        window: NDArray[np.float64] = np.sin(np.pi * np.arange(self.size) / self.size) ** 2
        return window

    def spectra(self, samples: Samples) -> NDArray[np.complex128]:
        """Return the spectra of all whole frames, shape (..., times, bins)."""
        pieces = np.lib.stride_tricks.sliding_window_view(samples, self.size, axis=-1)
        framed = pieces[..., :: self.hop, :] * self.window
        result: NDArray[np.complex128] = rfft(framed)
        return result

    def samples(self, spectra: NDArray[np.complex128]) -> Samples:
        """Overlap and add spectra of shape (..., times, bins); the inverse away from the ends."""
        pieces = irfft(spectra, self.size)
        pieces *= (2 / 3) * self.window
        times = pieces.shape[-2]
        out = np.zeros((*pieces.shape[:-2], (times + 3) * self.hop))
        for quarter in range(4):
            start = quarter * self.hop
            part = pieces[..., start : start + self.hop]
            out[..., start : start + times * self.hop] += part.reshape(*part.shape[:-2], -1)
        return out


def frames_for(rate_hz: int, frame_s: float) -> Frames:
    """Return frames of about a length in seconds, quick to transform."""
    return Frames(fast_length(max(round(rate_hz * frame_s / 4), 8)))


class Rule(ABC):
    """Decides gains from the power spectra of the driver."""

    @property
    @abstractmethod
    def reach(self) -> int:
        """Hops before and after a place that its gain depends on."""

    @abstractmethod
    def gains(self, power: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return gains of shape (channels, times, bins) from powers of the same shape."""


@dataclass(frozen=True, eq=False)
class ShortTimeGain(Operator):
    """Multiply short-time spectra by gains that a rule decides from the driver.

    Parameters
    ----------
    frames : Frames
        Analysis and synthesis.
    rule : Rule
        What decides the gains; it must depend on no more than ``rule.reach`` hops around.
    """

    frames: Frames
    rule: Rule

    @property
    def context(self) -> int:
        """Frames of audio before and after a sample that its output depends on."""
        return self.frames.size + self.rule.reach * self.frames.hop

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return _ShortTimeFlow(self, lanes, channels, frames)


class _ShortTimeFlow(GridFlow):
    def __init__(self, operator: ShortTimeGain, lanes: int, channels: int, frames: int) -> None:
        self._short, self._rule = operator.frames, operator.rule
        super().__init__(
            lanes,
            channels,
            frames,
            step=_HOPS_A_STEP * operator.frames.hop,
            context=operator.context,
        )

    def _window(self, window: Samples, start: int) -> Samples:
        short, reach = self._short, self._rule.reach
        driver = short.spectra(window[0])
        power = (driver.real**2 + driver.imag**2).astype(np.float32)
        gains = self._rule.gains(power)[:, reach : power.shape[1] - reach].astype(np.float64)
        inner = slice(reach * short.hop, window.shape[-1] - reach * short.hop)
        out = np.empty((*window.shape[:2], self._step))
        for lane, samples in enumerate(window):
            spectra = (
                driver[:, reach : driver.shape[1] - reach]
                if lane == 0
                else short.spectra(samples[..., inner])
            )
            out[lane] = short.samples(spectra * gains)[..., short.size : short.size + self._step]
        return out
