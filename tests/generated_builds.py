"""Builds with everything about them known: hiss, hum, what they hear of a played noise.

Levels in dBFS, 0 dBFS being the rms of a full-scale sine. Made by another route than the demo's:
the truth of a band is the integral of the densities that went in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture
from cleanchain.measure.bands import Band, bands

Wave = NDArray[np.float64]
Density = Callable[[Wave], Wave]

RATE_HZ = 48_000
#: Of the noise that is played, from 20 Hz to 20 kHz.
PLAYED_DBFS = -30.0


def db(power: float) -> float:
    """Level of a mean square in dBFS."""
    return float(10 * np.log10(2 * power))


def mean_square(level_dbfs: float) -> float:
    return float(0.5 * 10 ** (level_dbfs / 10))


@dataclass(frozen=True)
class Build:
    """What a build adds and hears.

    Parameters
    ----------
    hiss_dbfs, tilt_db : float
        Its own hiss, 20 Hz to 20 kHz, and how the density changes with each octave.
    hum_dbfs : float
        Of all harmonics together; -inf for none.
    harmonics : dict of int to float
        Their amplitudes, relative.
    mains_hz : float
        Steady.
    hears_db, corner_hz : float
        Sensitivity, and where it begins to fall by 12 dB an octave.
    """

    hiss_dbfs: float = -60.0
    tilt_db: float = 0.0
    hum_dbfs: float = -50.0
    harmonics: dict[int, float] = field(default_factory=lambda: {1: 1.0, 3: 0.4, 5: 0.2})
    mains_hz: float = 50.02
    hears_db: float = -20.0
    corner_hz: float = 200.0

    def hiss(self, hz: Wave) -> Wave:
        """One-sided density of the hiss, full scale squared per Hz."""
        shape = 10 ** (self.tilt_db * np.log2(np.maximum(hz, 1.0) / 1000) / 10)
        whole = np.geomspace(20, 20_000, 4001)
        middle = np.sqrt(whole[1:] * whole[:-1])
        area = float(np.sum(10 ** (self.tilt_db * np.log2(middle / 1000) / 10) * np.diff(whole)))
        return mean_square(self.hiss_dbfs) / area * shape * ((hz >= 20) & (hz <= 20_000))

    def hears(self, hz: Wave) -> Wave:
        """Amplitude with which a frequency is heard."""
        x = (hz / self.corner_hz) ** 2
        return 10 ** (self.hears_db / 20) * x / np.sqrt(1 + x**2)

    def lines(self) -> dict[float, float]:
        """Mean square of every hum line, by frequency in Hz."""
        total = sum(a**2 for a in self.harmonics.values())
        power = mean_square(self.hum_dbfs)
        return {h * self.mains_hz: power * a**2 / total for h, a in self.harmonics.items()}


def noise(rng: np.random.Generator, frames: int, density: Density) -> Wave:
    """Gaussian noise of a one-sided density at 48 kHz."""
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    hz = np.arange(spectrum.size) * RATE_HZ / frames
    return np.fft.irfft(spectrum * np.sqrt(density(hz) * RATE_HZ / 2), frames)


def hum(rng: np.random.Generator, frames: int, build: Build) -> Wave:
    t = np.arange(frames) / RATE_HZ
    wave = np.zeros(frames)
    for hz, power in build.lines().items():
        wave += np.sqrt(2 * power) * np.cos(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi))
    return wave


def played_density(hz: Wave) -> Wave:
    return mean_square(PLAYED_DBFS) / 19_980 * ((hz >= 20) & (hz <= 20_000))


def silence(rng: np.random.Generator, build: Build, seconds: float = 30.0) -> Capture:
    """Record a build with nobody playing."""
    frames = round(seconds * RATE_HZ)
    wave = noise(rng, frames, build.hiss)
    return Capture(wave + hum(rng, frames, build), RATE_HZ, "silence")


def played(rng: np.random.Generator, seconds: float = 30.0) -> Capture:
    return Capture(noise(rng, round(seconds * RATE_HZ), played_density), RATE_HZ, "played")


def listening(
    rng: np.random.Generator, build: Build, stimulus: Capture, lead_s: float = 0.35
) -> Capture:
    """Record a build hearing a noise that starts some time after the recorder."""
    lead = round(lead_s * RATE_HZ)
    wave = np.pad(stimulus.samples[0], (lead, lead))
    spectrum = np.fft.rfft(wave)
    heard = np.fft.irfft(
        spectrum * build.hears(np.arange(spectrum.size) * RATE_HZ / wave.size), wave.size
    )
    floor = silence(rng, build, wave.size / RATE_HZ).samples[0]
    return Capture(heard + floor, RATE_HZ, "listening")


def louder(capture: Capture, gain_db: float) -> Capture:
    return replace(capture, samples=capture.samples * 10 ** (gain_db / 20))


def band_truth(density: Density, band: Band, lines: dict[float, float] | None = None) -> float:
    """Mean square of a band: a density's integral, and the lines in it."""
    edges = np.linspace(band.low_hz, band.high_hz, 2001)
    middle = (edges[1:] + edges[:-1]) / 2
    inside = sum(p for hz, p in (lines or {}).items() if band.low_hz <= hz < band.high_hz)
    return float(np.sum(density(middle) * np.diff(edges))) + inside


def usable_from_truth(build: Build, margin_db: float = 6.0) -> int:
    """Place of the lowest third octave that is heard a margin over the floor, from the best down.

    A band that only hum keeps from it is no gap; the number of bands where none is usable.
    """
    shown = bands()
    heard = [
        band_truth(lambda hz: played_density(hz) * build.hears(hz) ** 2, band) for band in shown
    ]
    over = [
        db(one) - db(band_truth(build.hiss, band, build.lines()))
        for one, band in zip(heard, shown, strict=True)
    ]
    over_hiss = [
        db(one) - db(band_truth(build.hiss, band)) for one, band in zip(heard, shown, strict=True)
    ]
    lowest = len(shown)
    for place in reversed(range(int(np.argmax(over)) + 1)):
        if over[place] >= margin_db:
            lowest = place
        elif over_hiss[place] < margin_db:
            break
    return lowest
