"""A spectrum as a curve that can be drawn: bands of equal width on a logarithmic axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.measure.spectrum import Spectrum, frame_for, interval_factors, measure_spectrum

Reals = NDArray[np.float64]

#: Bands an octave, and what is drawn of the spectrum, Hz.
BANDS_AN_OCTAVE = 24
LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
#: Width of the bins that a curve is made from, Hz; lowest density that has a level.
_BIN_HZ, _LEAST = 2.0, 1e-24


@dataclass(frozen=True, eq=False)
class Trace:
    """Spectral density as a curve, all of shape (points,).

    Parameters
    ----------
    frequency_hz : ndarray
        Rising; several bins a point at the top, one below.
    level_db : ndarray
        Level in dB relative to the rms of a full-scale sine, in a band of 1 Hz.
    low_db, high_db : ndarray
        Where the true level lies with 95 %, for a noise that stays as it is.
    """

    frequency_hz: Reals
    level_db: Reals
    low_db: Reals
    high_db: Reals


def measure_trace(source: Source) -> Trace:
    """Measure the curve of a source, its channels averaged.

    Parameters
    ----------
    source : Source
        At least as long as one segment; see `cleanchain.measure.spectrum.measure_spectrum`.

    Raises
    ------
    InputError
        If the source is too short.
    """
    frame = frame_for(source.frames, source.rate_hz, _BIN_HZ)
    return trace_of(measure_spectrum(source, frame))


def trace_of(spectrum: Spectrum, channel: int | None = None) -> Trace:
    """Return the curve of a spectrum.

    Parameters
    ----------
    spectrum : Spectrum
        Measured.
    channel : int, optional
        Counted from 0; the average of all where left out.
    """
    frequency_hz = spectrum.frequency_hz
    inside = np.flatnonzero((frequency_hz >= LOWEST_HZ) & (frequency_hz <= HIGHEST_HZ))
    psd = spectrum.psd.mean(axis=0) if channel is None else spectrum.psd[channel]
    density = np.maximum(psd, _LEAST)
    band = np.floor(BANDS_AN_OCTAVE * np.log2(frequency_hz[inside])).astype(int)
    number = np.cumsum(np.diff(band, prepend=band[:1]) != 0)
    weights = np.zeros((number[-1] + 1, frequency_hz.size))
    weights[number, inside] = 1.0
    count = weights.sum(axis=1)
    power = weights @ density / count
    dof = spectrum.sum_dof(weights * density)
    factors = np.array([interval_factors(one) for one in dof])
    level_db = 10 * np.log10(2 * power)
    return Trace(
        frequency_hz=weights @ frequency_hz / count,
        level_db=level_db,
        low_db=level_db + 10 * np.log10(factors[:, 0]),
        high_db=level_db + 10 * np.log10(factors[:, 1]),
    )
