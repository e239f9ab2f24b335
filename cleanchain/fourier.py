"""Discrete Fourier transforms along the last axis, on both cores.

numpy's transforms, with large batches split over two threads. (scipy's take workers, but importing
them costs the start of every command half a second.)
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.threads import share_out

#: Batches of more values than this are worth a second thread.
_WORTH_SPLITTING = 1 << 15


def rfft(values: NDArray[Any], size: int | None = None) -> NDArray[Any]:
    """Transform real values along the last axis; single precision stays single.

    Parameters
    ----------
    values : ndarray of float, shape (..., n)
    size : int, optional
        Length that is transformed, zeros added or values cut; n where left out.

    Returns
    -------
    ndarray of complex, shape (..., size // 2 + 1)
    """
    length = values.shape[-1] if size is None else size
    kind = np.complex64 if values.dtype == np.float32 else np.complex128
    out = np.empty((*values.shape[:-1], length // 2 + 1), dtype=kind)
    _split(np.fft.rfft, values, length, out)
    return out


def irfft(spectra: NDArray[Any], size: int) -> NDArray[Any]:
    """Transform half spectra back to real values of a length, along the last axis.

    Parameters
    ----------
    spectra : ndarray of complex, shape (..., size // 2 + 1)
    size : int
        Length of the result.

    Returns
    -------
    ndarray of float, shape (..., size)
    """
    kind = np.float32 if spectra.dtype == np.complex64 else np.float64
    out = np.empty((*spectra.shape[:-1], size), dtype=kind)
    _split(np.fft.irfft, spectra, size, out)
    return out


def _split(transform: Any, values: NDArray[Any], size: int, out: NDArray[Any]) -> None:
    if values.ndim == 1 or out.size < _WORTH_SPLITTING:
        transform(values, size, out=out)
        return
    axis = int(np.argmax(values.shape[:-1]))
    middle = values.shape[axis] // 2
    halves = [
        tuple(part if place == axis else slice(None) for place in range(values.ndim))
        for part in (slice(middle), slice(middle, None))
    ]
    share_out(lambda half: transform(values[half], size, out=out[half]), halves)


def fast_length(at_least: int) -> int:
    """Return the smallest length of factors 2, 3 and 5 that is no shorter."""
    return min(number for number in _smooth(2 * at_least) if number >= at_least)


def fast_length_within(at_most: int) -> int:
    """Return the largest length of factors 2, 3 and 5 that is no longer."""
    return max(number for number in _smooth(at_most) if number <= at_most)


def _smooth(limit: int) -> list[int]:
    """Return all numbers of factors 2, 3 and 5 up to a limit."""
    numbers = [1]
    for factor in (2, 3, 5):
        for number in list(numbers):
            while (number := number * factor) <= max(limit, 1):
                numbers.append(number)
    return numbers
