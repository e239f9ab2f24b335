"""Power of a signal in octaves, every 10 ms."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.fourier import fast_length
from cleanchain.measure.quality import tiles

#: Centres of the octave bands, Hz (IEC 61260-1, base 10, edges at centre x 10^(+-0.15)).
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
#: Octaves that short frames cannot part from loud notes above them.
_SHARP_HZ = OCTAVES_HZ[:4]
#: Half width of their edges, as a part of the frequency.
_EDGE = 0.04
#: Time from one power to the next, and length of the short frames, s.
STEP_S = 0.01
_FRAME_S = 0.02


def octave_powers(samples: Samples, rate_hz: int) -> NDArray[np.float64]:
    """Return the power in each octave over time, all channels together.

    Octaves below 500 Hz are cut out of one transform of the whole, with edges as sharp as can be:
    what a filter takes from a rumble 40 dB below the notes must not be hidden by their skirts.
    Those above are summed over short frames.

    Parameters
    ----------
    samples : ndarray of shape (channels, frames)
    rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray of shape (octaves, times)
        Of the octaves whose upper edge lies below half the rate, in the order of `OCTAVES_HZ`;
        in units that are each octave's own, the same for all signals of one rate and length.
    """
    count = samples.shape[1] // step_frames(rate_hz)
    heard = [octave for octave in OCTAVES_HZ if _edges_hz(octave)[1] < rate_hz / 2]
    sharp = _sharp(samples, rate_hz, [octave for octave in heard if octave in _SHARP_HZ], count)
    return np.concatenate([sharp, _soft(samples, rate_hz, heard[len(sharp) :], count)])


def step_frames(rate_hz: int) -> int:
    """Return the frames of a step of time."""
    return max(round(STEP_S * rate_hz), 1)


def _edges_hz(octave_hz: float) -> tuple[float, float]:
    exact = 1000.0 * 10 ** (0.3 * round(np.log10(octave_hz / 1000.0) / 0.3))
    return exact * 10**-0.15, exact * 10**0.15


def _sharp(
    samples: Samples, rate_hz: int, octaves_hz: list[float], count: int
) -> NDArray[np.float64]:
    step = step_frames(rate_hz)
    steps = fast_length(-(-samples.shape[1] // step))
    spectra = np.fft.rfft(samples, steps * step)
    powers = np.zeros((len(octaves_hz), count))
    for power, octave in zip(powers, octaves_hz, strict=True):
        low, high = (hz * steps * step / rate_hz for hz in _edges_hz(octave))
        bins = np.arange(max(int(low / (1 + _EDGE)), 1), int(high * (1 + _EDGE)) + 2)
        # Edges that rise over a few per cent ring less than none.
        rise = (np.log(bins / low) / _EDGE + 1) / 2
        fall = (np.log(high / bins) / _EDGE + 1) / 2
        shape = np.sin(np.pi / 2 * np.clip(np.minimum(rise, fall), 0.0, 1.0))
        # The band alone, moved down to 0 Hz: a few values a step hold all of it.
        finer = 1
        while steps * finer < bins.size:
            finer *= 2
        band = np.fft.ifft(spectra[:, bins] * shape, steps * finer) * finer
        squares = (band.real**2 + band.imag**2).sum(axis=0).reshape(steps, finer).mean(axis=1)
        power[:] = squares[:count]
    return powers


def _soft(
    samples: Samples, rate_hz: int, octaves_hz: list[float], count: int
) -> NDArray[np.float64]:
    short = tiles(samples, rate_hz, _FRAME_S)
    starts = (np.arange(short.power.shape[2]) - 0.5) * short.bin_hz
    powers = np.zeros((len(octaves_hz), count))
    at = np.minimum(
        np.round(np.arange(count) * STEP_S / short.hop_s).astype(int), short.power.shape[1] - 1
    )
    for power, octave in zip(powers, octaves_hz, strict=True):
        low, high = _edges_hz(octave)
        share = np.clip(
            np.minimum(starts + short.bin_hz, high) - np.maximum(starts, low), 0.0, short.bin_hz
        )
        used = slice(int(np.argmax(share > 0)), share.size - int(np.argmax(share[::-1] > 0)))
        weights = (share[used] / short.bin_hz).astype(np.float32)
        over_time = (short.power[..., used] @ weights).sum(axis=0, dtype=float)
        power[:] = over_time[at]
    return powers
