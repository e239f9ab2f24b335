"""A gain in each place of time and frequency, decided by the driver, the same for all lanes."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.fourier import fast_length
from cleanchain.operators.base import Flow, GridFlow, Lanes, Operator

Spectra = NDArray[np.complexfloating[Any, Any]]

#: Frames that are transformed at a time.
_FRAMES_A_PIECE = 16
#: Hops that one step of the grid answers for.
HOPS_A_STEP = 192


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
        return _hann(self.size)

    def spectra(self, samples: Lanes) -> Spectra:
        """Return the spectra of all whole frames, shape (..., times, bins), as precise as they."""
        pieces = np.lib.stride_tricks.sliding_window_view(samples, self.size, axis=-1)
        framed = pieces[..., :: self.hop, :]
        out = np.empty((*framed.shape[:-1], self.bins), dtype=_complex(samples.dtype))
        # numpy keeps to single precision only where the forward transform is scaled.
        window = (self.size * self.window).astype(samples.dtype)
        rows = np.empty((_FRAMES_A_PIECE, self.size), dtype=samples.dtype)
        for part in _pieces(out.shape):
            some = rows[: part[-1].stop - part[-1].start]
            np.multiply(framed[part], window, out=some)
            np.fft.rfft(some, norm="forward", out=out[part])
        return out

    def samples(self, spectra: Spectra, gains: NDArray[np.float32] | None = None) -> Lanes:
        """Overlap and add spectra of shape (..., times, bins); the inverse away from the ends.

        Gains of the same shape are multiplied on the way.
        """
        *before, times, bins = spectra.shape
        out = np.zeros((*before, times + 3, self.hop), dtype=spectra.real.dtype)
        window = ((2 / 3) * self.window).astype(out.dtype)
        rows = np.empty((_FRAMES_A_PIECE, bins), dtype=spectra.dtype)
        frames = np.empty((_FRAMES_A_PIECE, self.size), dtype=out.dtype)
        for part in _pieces(spectra.shape):
            *place, some_times = part
            count = some_times.stop - some_times.start
            some = spectra[part]
            if gains is not None:
                some = np.multiply(some, gains[part], out=rows[:count])
            wave = np.fft.irfft(some, self.size, out=frames[:count])
            wave *= window
            into = out[tuple(place)]
            for quarter in range(4):
                start = quarter * self.hop
                into[some_times.start + quarter :][:count] += wave[:, start : start + self.hop]
        return out.reshape(*before, -1)


@cache
def _hann(size: int) -> NDArray[np.float64]:
    window: NDArray[np.float64] = np.sin(np.pi * np.arange(size) / size) ** 2
    window.flags.writeable = False
    return window


def _complex(real: np.dtype[Any]) -> np.dtype[Any]:
    return np.result_type(real, np.complex64)


def _pieces(shape: tuple[int, ...]) -> Iterator[tuple[Any, ...]]:
    """Cut spectra of shape (..., times, bins) into pieces that stay in a core's cache."""
    for place in np.ndindex(shape[:-2]):
        for first in range(0, shape[-2], _FRAMES_A_PIECE):
            yield (*place, slice(first, min(first + _FRAMES_A_PIECE, shape[-2])))


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
        """Return gains from powers.

        Parameters
        ----------
        power : ndarray of float32, shape (channels, times + 2 reach, bins)

        Returns
        -------
        ndarray of float32, shape (channels, times, bins)
        """


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

    def through(self, window: Lanes) -> tuple[Lanes, NDArray[np.float32]]:
        """Send lanes through, all but the context at either end.

        Parameters
        ----------
        window : ndarray of shape (lanes, channels, n + 2 context)
            The first lane decides; n is a whole number of hops.

        Returns
        -------
        samples : ndarray of shape (lanes, channels, n)
        gains : ndarray of float32, shape (channels, n / hop + 5, bins)
            Those of all frames that the samples lie in, the first one of them ending where the
            samples start.
        """
        short, reach = self.frames, self.rule.reach
        count = window.shape[-1] - 2 * self.context
        spectra = short.spectra(window[0])
        gains = self.rule.gains(powers(spectra))
        spectra = spectra[:, reach : spectra.shape[1] - reach]
        inner = slice(reach * short.hop, window.shape[-1] - reach * short.hop)
        out = np.empty((*window.shape[:2], count), dtype=window.dtype)
        for lane, samples in enumerate(window):
            if lane > 0:
                spectra = short.spectra(samples[..., inner])
            out[lane] = short.samples(spectra, gains)[..., short.size : short.size + count]
        return out, gains


class _ShortTimeFlow(GridFlow):
    def __init__(self, operator: ShortTimeGain, lanes: int, channels: int, frames: int) -> None:
        self._operator = operator
        super().__init__(
            lanes,
            channels,
            frames,
            step=HOPS_A_STEP * operator.frames.hop,
            context=operator.context,
            ahead=True,
        )

    def _window(self, window: Lanes, start: int) -> Lanes:
        return self._operator.through(window)[0]


def powers(spectra: Spectra) -> NDArray[np.float32]:
    """Return the power of spectra of shape (..., times, bins)."""
    out = np.empty(spectra.shape, dtype=np.float32)
    for part in _pieces(spectra.shape):
        rows = spectra[part]
        out[part] = rows.real**2 + rows.imag**2
    return out
