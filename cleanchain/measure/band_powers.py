"""Powers of a noise in third octaves, its lines left out, with as much as a capture can tell."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma

from cleanchain.audio.source import Source
from cleanchain.errors import FitError
from cleanchain.measure.bands import band_weights
from cleanchain.measure.levels import Levels, levels_of, mains_candidates
from cleanchain.measure.lines import split_lines
from cleanchain.measure.mains import NOMINAL_HZ
from cleanchain.measure.spectrum import frame_for, measure_spectrum

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Hann windows that overlap by so much weigh every frame alike, and nothing of it is lost.
_OVERLAP = 0.75
#: Where lines leave less of a band than this, its hiss is not known; so few degrees of freedom
#: say so.
_LEAST_LEFT, _UNKNOWN_DOF = 0.2, 1.0
#: Skirts of a Hann window: so many bins out it is down by so much, and by 18 dB for each octave
#: more (Harris 1978); beside, bins that tell the floor around a line.
_SKIRT_BINS, _SKIRT_DB, _SKIRT_SLOPE_DB, _BESIDE = 2.5, 31.0, 18.0, 60
#: Smallest density that is counted, so that digital silence has a level.
_LEAST = 1e-30


@dataclass(frozen=True, eq=False)
class BandPowers:
    """Power of one channel in third octaves; all arrays of shape (bands,).

    Parameters
    ----------
    low_hz, centre_hz, high_hz : ndarray
        Edges and exact mid-band frequencies.
    power : ndarray
        Mean square, full scale 1.
    dof : ndarray
        Equivalent degrees of freedom.
    seconds : float
        Length that was measured.
    """

    low_hz: Reals
    centre_hz: Reals
    high_hz: Reals
    power: Reals
    dof: Reals
    seconds: float

    @property
    def variance_db2(self) -> Reals:
        """Variance of the levels by chance, dB squared: that of the logarithm of a chi-square."""
        variance: Reals = (10 / np.log(10)) ** 2 * polygamma(1, self.dof / 2)
        return variance


def measure_floors(
    sources: Sequence[Source], channel: int = 0, nominal_hz: tuple[float, ...] = NOMINAL_HZ
) -> list[Levels]:
    """Measure captures of noise alike, in bins of one width.

    Parameters
    ----------
    sources : sequence of Source
        Of one sampling rate.
    channel : int, optional
        Counted from 0.
    nominal_hz : tuple of float, optional
        Mains frequencies that are looked for.

    Raises
    ------
    FitError
        If the rates differ or a capture has no such channel.
    InputError
        If one is too short for a spectrum.
    """
    check_alike(sources, channel)
    frame = min(frame_for(source.frames, source.rate_hz) for source in sources)

    def measured(source: Source) -> Levels:
        spectrum = measure_spectrum(source, frame, _OVERLAP)
        split = split_lines(spectrum, mains_candidates(source, nominal_hz), channel)
        return levels_of(spectrum, split, channel)

    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(measured, sources))


def check_alike(sources: Sequence[Source], channel: int = 0) -> None:
    """Refuse captures of different rates, or without the channel asked for.

    Raises
    ------
    FitError
    """
    for source in sources:
        if source.rate_hz != sources[0].rate_hz:
            raise FitError(
                f"is at {source.rate_hz} Hz, {sources[0].name} at {sources[0].rate_hz} Hz",
                where=source.name,
                fix="Record both at one rate.",
            )
        if channel >= source.channels:
            many = "s" if source.channels > 1 else ""
            raise FitError(
                f"has {source.channels} channel{many}, but channel {channel + 1} is asked for",
                where=source.name,
                fix="Name another --channel.",
            )


def hiss_powers(floors: Sequence[Levels]) -> list[BandPowers]:
    """Sum the hiss of captures over third octaves, the lines of any of them left out of all.

    Parameters
    ----------
    floors : sequence of Levels
        From one call of `measure_floors`.
    """
    taken = np.any([_lined(one) for one in floors], axis=0)
    return [_hiss_power(one, taken) for one in floors]


def _lined(levels: Levels) -> Flags:
    """Bins that a line fills, with the skirts that a strong one has."""
    psd, hiss, bin_hz = (
        levels.spectrum.psd[levels.channel],
        levels.split.hiss,
        levels.spectrum.bin_hz,
    )
    taken: Flags = hiss != psd
    for line in levels.split.lines:
        centre = round(line.frequency_hz / bin_hz)
        around = hiss[max(centre - _BESIDE, 0) : centre + _BESIDE]
        floor = max(float(np.median(around)), _LEAST)
        above_db = 10 * np.log10(max(line.power / bin_hz / floor, 1.0))
        half = int(np.ceil(_SKIRT_BINS * 2 ** ((above_db - _SKIRT_DB) / _SKIRT_SLOPE_DB)))
        if half > 0:
            taken[max(centre - half, 0) : centre + half + 1] = True
    return taken


def _hiss_power(levels: Levels, taken: Flags) -> BandPowers:
    spectrum = levels.spectrum
    low, centre, high = np.array(
        [(band.low_hz, band.centre_hz, band.high_hz) for band in levels.bands]
    ).T
    edges = tuple(zip(low.tolist(), high.tolist(), strict=True))
    weights = band_weights(edges, taken.size, spectrum.bin_hz)
    kept = weights * ~taken
    whole, left = weights.sum(axis=1), kept.sum(axis=1)
    density = np.maximum(spectrum.psd[levels.channel], _LEAST)
    lost = left < _LEAST_LEFT * whole
    beside = weights @ np.maximum(levels.split.hiss, _LEAST)
    power = np.where(lost, beside, kept @ density * whole / np.where(lost, 1.0, left))
    # Chance makes a density look uneven, its squares larger by this much, which is no less freedom.
    uneven = spectrum.sum_dof(kept * density) * (1 + 2 / spectrum.dof)
    dof = np.minimum(uneven, spectrum.sum_dof(kept))
    return BandPowers(
        low,
        centre,
        high,
        power * spectrum.bin_hz,
        np.where(lost, _UNKNOWN_DOF, dof),
        levels.seconds,
    )
