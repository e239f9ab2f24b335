"""Levels of a recording: whole, weighted, in bands, hum and hiss apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from cleanchain.audio.channels import held
from cleanchain.audio.source import Source
from cleanchain.measure.bands import HIGHEST_HZ, LOWEST_HZ, Band, band_weights, bands
from cleanchain.measure.lines import WIDEST_BIN_HZ, NoiseSplit, split_lines
from cleanchain.measure.lowered import lowered
from cleanchain.measure.mains import NOMINAL_HZ, Candidate, find_candidates
from cleanchain.measure.spectrum import Spectrum, frame_for, measure_spectrum
from cleanchain.measure.weighting import a_weighting_db, ccir_rms_weighting_db, weighting_468_db

Reals = NDArray[np.float64]

#: Lowest mean square that has a level.
_LEAST = 1e-20
#: Highest frequency that the search for mains lines looks at, Hz.
LINES_UP_TO_HZ = 3100.0


@dataclass(frozen=True, eq=False)
class Estimates:
    """Powers and how sure they are, shape (n,) each.

    Parameters
    ----------
    power : ndarray
        Mean squares, full scale 1.
    variance : ndarray
        Their variances by chance.
    """

    power: Reals
    variance: Reals

    def interval(self, confidence: float = 0.95) -> tuple[Reals, Reals]:
        """Powers between which the true ones lie: chi-square with equivalent freedom."""
        power = np.maximum(self.power, _LEAST)
        dof = 2 * power**2 / np.maximum(self.variance, 1e-12 * power**2)
        tail = (1 - confidence) / 2
        return power * dof / chdtri(dof, tail), power * dof / chdtri(dof, 1 - tail)


@dataclass(frozen=True, eq=False)
class Levels:
    """What a recording of noise consists of, for one channel.

    Parameters
    ----------
    spectrum : Spectrum
        Its density.
    channel : int
        Which channel, counted from 0.
    split : NoiseSplit
        Hiss and lines.
    bands : tuple of Band
        Third octaves that lie below half the sampling rate.
    band_power, band_hiss : Estimates
        Power in each band, all of it and without the lines.
    seconds : float
        Length that was measured.
    """

    spectrum: Spectrum
    channel: int
    split: NoiseSplit
    bands: tuple[Band, ...]
    band_power: Estimates
    band_hiss: Estimates
    seconds: float

    @property
    def tells_hum(self) -> bool:
        """Whether the recording is long enough for bins that tell hum from hiss."""
        return self.spectrum.bin_hz <= WIDEST_BIN_HZ

    @property
    def hiss_power(self) -> float:
        """Mean square of the hiss, 20 Hz to 20 kHz."""
        return float((self._inside() * self.split.hiss).sum()) * self.spectrum.bin_hz

    @property
    def hum_power(self) -> float:
        """Mean square of all mains harmonics."""
        return sum(line.power for line in self.split.harmonics)

    @property
    def hum_sd(self) -> float:
        """Standard deviation of the hum's mean square."""
        return float(np.sqrt(sum(line.sd**2 for line in self.split.harmonics)))

    @property
    def other_power(self) -> float:
        """Mean square of the lines that are none of the mains."""
        return sum(line.power for line in self.split.others)

    def power(self, weighting: str = "none") -> float:
        """Mean square, 20 Hz to 20 kHz.

        Parameters
        ----------
        weighting : {"none", "a", "468", "ccir"}
            The rms of the weighted noise; 468 is not its quasi-peak reading.
        """
        curves = {"a": a_weighting_db, "468": weighting_468_db, "ccir": ccir_rms_weighting_db}
        density = self.split.hiss
        lines = np.array([[line.frequency_hz, line.power] for line in self.split.lines])
        gain, line_gain = np.ones(density.size), np.ones(len(lines))
        if weighting != "none":
            curve = curves[weighting]
            gain = 10 ** (curve(self.spectrum.frequency_hz) / 10)
            line_gain = 10 ** (curve(lines[:, 0]) / 10) if lines.size else line_gain
        hiss = float((self._inside() * gain * density).sum()) * self.spectrum.bin_hz
        return hiss + (float((lines[:, 1] * line_gain).sum()) if lines.size else 0.0)

    def _inside(self) -> Reals:
        edges = ((LOWEST_HZ, HIGHEST_HZ),)
        inside: Reals = band_weights(edges, self.split.hiss.size, self.spectrum.bin_hz)[0]
        return inside


def measure_levels(
    source: Source,
    channel: int = 0,
    frame_frames: int | None = None,
    nominal_hz: tuple[float, ...] = NOMINAL_HZ,
) -> Levels:
    """Measure the noise in one channel of a recording that holds nothing else.

    Parameters
    ----------
    source : Source
        A silence capture, an interface floor, a dead control, or noise played into a build.
    channel : int, optional
        Counted from 0.
    frame_frames : int, optional
        Length of the spectrum's segments, never shorter than what tells lines and the lowest bands
        apart, as far as the recording is long enough; see `cleanchain.measure.spectrum.frame_for`.
    nominal_hz : tuple of float, optional
        Mains frequencies that are looked for.

    Raises
    ------
    InputError
        If the recording is too short for a spectrum.
    """
    frame = max(frame_frames or 0, frame_for(source.frames, source.rate_hz))
    spectrum = measure_spectrum(source, frame)
    candidates = mains_candidates(source, nominal_hz)
    return levels_of(spectrum, split_lines(spectrum, candidates, channel), channel)


def mains_candidates(source: Source, nominal_hz: tuple[float, ...] = NOMINAL_HZ) -> list[Candidate]:
    """Return the best combs of mains lines, looked for at a low rate; see `find_candidates`."""
    return find_candidates(held(lowered(source, LINES_UP_TO_HZ)), nominal_hz)


def levels_of(spectrum: Spectrum, split: NoiseSplit, channel: int = 0) -> Levels:
    """Sum a spectrum that is split already into levels."""
    half = spectrum.rate_hz / 2
    shown = tuple(band for band in bands() if band.high_hz <= half)
    hiss = band_estimates(spectrum, split.hiss, shown)
    power, variance = hiss.power.copy(), hiss.variance.copy()
    for line in split.lines:
        for place, band in enumerate(shown):
            if band.low_hz <= line.frequency_hz < band.high_hz:
                power[place] += line.power
                variance[place] += line.sd**2
    hop = spectrum.frame_frames * (1 - spectrum.overlap)
    seconds = (spectrum.frame_frames + (spectrum.segments - 1) * hop) / spectrum.rate_hz
    return Levels(spectrum, channel, split, shown, Estimates(power, variance), hiss, seconds)


def band_estimates(spectrum: Spectrum, density: Reals, shown: tuple[Band, ...]) -> Estimates:
    """Sum a density, measured as a spectrum was, over bands.

    Parameters
    ----------
    spectrum : Spectrum
        How it was measured.
    density : ndarray of shape (bins,)
        Without lines.
    shown : tuple of Band
        The bands.
    """
    edges = tuple((band.low_hz, band.high_hz) for band in shown)
    weights = band_weights(edges, density.size, spectrum.bin_hz) * np.maximum(density, 0.0)
    power = weights.sum(axis=1) * spectrum.bin_hz
    return Estimates(power, 2 * power**2 / spectrum.sum_dof(weights))
