"""Power of a signal in octaves, every 10 ms."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.fourier import fast_length

#: Centres of the octave bands, Hz (IEC 61260-1, base 10, edges at centre x 10^(+-0.15)).
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
#: Half width of their edges, as a part of the frequency: edges that rise over a few per cent ring
#: less than none, and keep 50 Hz out of the octave below.
_EDGE = 0.04
#: Time from one power to the next, s.
STEP_S = 0.01


def octave_powers(samples: Samples, rate_hz: int) -> NDArray[np.float64]:
    """Return the power in each octave over time, all channels together.

    The octaves are cut out of one transform of the whole, with edges as sharp as can be: what a
    filter takes from a rumble 40 dB below the notes must not be hidden by their skirts, nor may a
    neighbour make an almost empty octave seem to be heard.

    Parameters
    ----------
    samples : ndarray of shape (channels, frames)
    rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray of shape (octaves, times)
        Of the octaves whose upper edge lies below half the rate, in the order of `OCTAVES_HZ`:
        mean square of each, every `STEP_S`.
    """
    step = step_frames(rate_hz)
    count = samples.shape[1] // step
    heard = [edges for edges in map(_edges_hz, OCTAVES_HZ) if edges[1] < rate_hz / 2]
    steps = fast_length(-(-samples.shape[1] // step))
    size = steps * step
    # Single precision is 130 dB below the loudest line, and half the work; numpy keeps to it only
    # where the forward transform is scaled.
    spectra = np.fft.rfft(samples.astype(np.float32), size, norm="forward")
    powers = np.zeros((len(heard), count))
    for power, (low_hz, high_hz) in zip(powers, heard, strict=True):
        low, high = (hz * size / rate_hz for hz in (low_hz, high_hz))
        first, last = int(np.ceil(low * (1 - _EDGE))), int(high * (1 + _EDGE)) + 1
        band = spectra[:, first:last].copy()
        for edge, rise in ((low, 1), (high, -1)):
            start = max(int(np.ceil(edge * (1 - _EDGE))) - first, 0)
            at = np.arange(start, min(int(edge * (1 + _EDGE)) + 1 - first, band.shape[1]))
            turn = np.clip((at + first - edge) / (_EDGE * edge), -1.0, 1.0)
            band[:, at] *= np.sin(np.pi / 4 * (1 + rise * turn)).astype(np.float32)
        # The band alone, moved down to 0 Hz: a few values a step hold all of it.
        finer = 1
        while steps * finer < last - first:
            finer *= 2
        wave = np.fft.ifft(band, steps * finer, norm="forward").view(np.float32)
        wave = wave.reshape(len(samples), steps, -1)[:, :count]
        power[:] = (2 / finer) * np.einsum("ctn,ctn->ct", wave, wave).sum(axis=0, dtype=float)
    return powers


def step_frames(rate_hz: int) -> int:
    """Return the frames of a step of time."""
    return max(round(STEP_S * rate_hz), 1)


def width_hz(octave_hz: float) -> float:
    """Return the width of an octave, Hz."""
    low_hz, high_hz = _edges_hz(octave_hz)
    return high_hz - low_hz


def _edges_hz(octave_hz: float) -> tuple[float, float]:
    exact = 1000.0 * 10 ** (0.3 * round(np.log10(octave_hz / 1000.0) / 0.3))
    return exact * 10**-0.15, exact * 10**0.15
