"""A symmetric finite impulse response: zero phase, no lag, the same at every time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from cleanchain.operators.base import Flow, GridFlow, Lanes, Operator

#: Windows that one step transforms together: fewer calls for the same work.
_WINDOWS_A_STEP = 4


@dataclass(frozen=True, eq=False)
class SymmetricFilter(Operator):
    """Convolve with a symmetric kernel by overlapping transforms.

    Parameters
    ----------
    half_kernel : ndarray of shape (half + 1,)
        Kernel from its centre outwards; the other half mirrors it. Beyond the ends of the lanes
        the signal is taken as mirrored, so that a steady level there makes no click.
    """

    follows_driver: ClassVar[bool] = False

    half_kernel: NDArray[np.float64]

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return _FilterFlow(self.half_kernel, lanes, channels, frames)

    def gain_at(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the gain at frequencies given as fractions of the sampling rate."""
        lags = np.arange(1, self.half_kernel.size)
        waves = np.cos(2 * np.pi * np.multiply.outer(np.asarray(frequency), lags))
        gain: NDArray[np.float64] = self.half_kernel[0] + 2 * waves @ self.half_kernel[1:]
        return gain


class _FilterFlow(GridFlow):
    def __init__(
        self, half_kernel: NDArray[np.float64], lanes: int, channels: int, frames: int
    ) -> None:
        half = half_kernel.size - 1
        size = 1 << max(int(np.ceil(np.log2(8 * half))), 12)
        self._half, self._size, self._hop = half, size, size - 2 * half
        kernel = np.zeros(size)
        kernel[: half + 1] = half_kernel
        kernel[size - half :] = half_kernel[:0:-1]
        # numpy keeps to single precision only where the forward transform is scaled.
        self._response = size * np.fft.rfft(kernel).real
        super().__init__(lanes, channels, frames, step=_WINDOWS_A_STEP * self._hop, context=half)

    def _window(self, window: Lanes, start: int) -> Lanes:
        pieces = np.lib.stride_tricks.sliding_window_view(window, self._size, axis=-1)
        spectra = np.fft.rfft(pieces[..., :: self._hop, :], norm="forward")
        spectra *= self._response.astype(window.dtype)
        filtered = np.fft.irfft(spectra, self._size)
        middle: Lanes = filtered[..., self._half : self._half + self._hop]
        return middle.reshape(*window.shape[:2], -1)
