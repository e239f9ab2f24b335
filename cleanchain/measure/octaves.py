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
#: Half width of their edges, as a part of the frequency, and a rate that holds all of them, Hz.
_EDGE = 0.04
_LOW_RATE_HZ = 1500.0
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
    fewer = max(
        n for n in range(1, step + 1) if step % n == 0 and (n == 1 or rate_hz / n > _LOW_RATE_HZ)
    )
    low_hz, step = rate_hz / fewer, step // fewer
    steps = fast_length(-(-samples.shape[1] // (step * fewer)))
    spectra = np.fft.rfft(_fewer(samples, rate_hz, fewer), steps * step)
    powers = np.zeros((len(octaves_hz), count))
    for power, octave in zip(powers, octaves_hz, strict=True):
        low, high = (hz * steps * step / low_hz for hz in _edges_hz(octave))
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


def _fewer(samples: Samples, rate_hz: int, factor: int) -> Samples:
    """Return every so many-th sample of what lies below the top of the sharp octaves.

    A Kaiser window of 100 dB: what folds back lies that far down.
    """
    if factor == 1:
        return samples
    top_hz = (1 + 2 * _EDGE) * _edges_hz(_SHARP_HZ[-1])[1]
    free = (rate_hz / factor - 2 * top_hz) / rate_hz  # between what is kept and what folds back
    half = int(np.ceil(92 / (2.285 * 2 * np.pi * free) / 2))
    cut = 0.5 / factor
    at = np.arange(-half, half + 1)
    taps = 2 * cut * np.sinc(2 * cut * at) * np.kaiser(at.size, 10.06)
    # Row by row of so many samples: one product, and as many sums as rows that the taps span.
    rows = -(-taps.size // factor)
    taps = np.pad(taps, (0, rows * factor - taps.size)).reshape(rows, factor)
    frames = samples.shape[1]
    count = -(-frames // factor)
    padded = np.pad(samples, ((0, 0), (half, (count + rows) * factor - frames - half)))
    parts = padded.reshape(len(samples), -1, factor) @ taps.T
    low = np.zeros((len(samples), count))
    for row in range(rows):
        low += parts[:, row : row + count, row]
    low *= factor  # as tall in a transform as what it stands for
    return low


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
