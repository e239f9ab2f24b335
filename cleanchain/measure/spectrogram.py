"""Level by time and frequency, at the resolution of a picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source

Reals = NDArray[np.float64]

LOWEST_HZ, HIGHEST_HZ = 40.0, 20_000.0
BANDS_AN_OCTAVE = 20
#: Most columns, length of a frame, shortest step and longest stretch that one frame speaks for, s.
_COLUMNS, _FRAME_S, _STEP_S, _SPEAKS_S = 640, 0.17, 0.01, 0.25
_LEAST = 1e-24


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Level by time and frequency.

    Parameters
    ----------
    level_db : ndarray of shape (bands, columns)
        Lowest band first; dB relative to the rms of a full-scale sine, in a band of 1 Hz.
    low_hz, high_hz : float
        Edges of the lowest and of the highest band; the bands are equally wide in octaves.
    seconds : float
        Length of what was measured; the columns divide it evenly.
    """

    level_db: Reals
    low_hz: float
    high_hz: float
    seconds: float


def measure_spectrogram(source: Source) -> Spectrogram:
    """Measure the spectrogram of a whole source, its channels averaged.

    Parameters
    ----------
    source : Source
        Any length; read a frame at a time.
    """
    rate_hz = source.rate_hz
    size = 1 << round(np.log2(_FRAME_S * rate_hz))
    columns = int(np.clip(source.frames / rate_hz / _STEP_S, 1, _COLUMNS))
    column = source.frames / columns
    looks = max(int(np.ceil(column / rate_hz / _SPEAKS_S)), 1)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    weights, high_hz = _bands(size, rate_hz)
    scale = 2 * 2 / (rate_hz * float(np.sum(window**2)))
    power = np.empty((size // 2 + 1, columns))
    for index in range(columns):
        centres = (index + (np.arange(looks) + 0.5) / looks) * column
        frames = np.stack([_frame(source, round(centre), size) for centre in centres.tolist()])
        spectra = np.fft.rfft(frames * window)
        power[:, index] = (spectra.real**2 + spectra.imag**2).mean(axis=(0, 1))
    level_db = 10 * np.log10(np.maximum(scale * (weights @ power), _LEAST))
    return Spectrogram(level_db, LOWEST_HZ, high_hz, source.frames / rate_hz)


def _frame(source: Source, centre: int, size: int) -> Reals:
    """Return the frame around a sample, zeros beyond the ends, shape (channels, size)."""
    first = centre - size // 2
    start, stop = max(first, 0), min(first + size, source.frames)
    frame = np.zeros((source.channels, size))
    frame[:, start - first : stop - first] = source.read(start, stop)
    return frame


def _bands(size: int, rate_hz: int) -> tuple[Reals, float]:
    """Weights that average the bins of each band, bins at the edges in proportion."""
    highest = min(HIGHEST_HZ, 0.5 * rate_hz)
    count = int(np.floor(BANDS_AN_OCTAVE * np.log2(highest / LOWEST_HZ)))
    edges = LOWEST_HZ * 2 ** (np.arange(count + 1) / BANDS_AN_OCTAVE)
    low, high = edges[:-1, None], edges[1:, None]
    bin_hz = rate_hz / size
    bins = (np.arange(size // 2 + 1) - 0.5) * bin_hz
    share = np.clip(np.minimum(bins + bin_hz, high) - np.maximum(bins, low), 0.0, None)
    return share / share.sum(axis=1, keepdims=True), float(edges[-1])
