"""Invented captures of two home-made pickups, with everything about them known.

The scene: a plucked lap harp in a shed on 50 Hz mains. Build A is a ceramic disc under its
bridge, build B a hand-wound coil over its strings. Nothing of it was ever recorded; every sample
is computed from a seed, so that signal, hum and hiss are known apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.units import db_to_amplitude, rms_dbfs

Wave = NDArray[np.float64]

RATE_HZ = 48_000
SILENCE_S = 12.0
TAKE_S = 20.0
#: Notes of the tune, Hz: a minor pentatonic on D, equal temperament, A4 = 440 Hz.
NOTES_HZ = tuple(440.0 * 2 ** (step / 12) for step in (-19, -16, -14, -12, -9, -7, -4, -2, 0, 3, 5))
#: Level of the noise that is played into the builds, dBFS at the loudspeaker's input.
STIMULUS_DBFS = -30.0


@dataclass(frozen=True)
class Build:
    """What a build hears and what it adds.

    Parameters
    ----------
    name : str
        In words.
    corner_hz : float
        Below it the build hears 12 dB less with each octave.
    resonance_hz, resonance_db : float
        A hump in what it hears.
    hum_dbfs : float
        Level of the hum in its lead.
    harmonics : mapping of int to float
        Amplitude of each mains harmonic, relative.
    hiss_dbfs : float
        Level of its own hiss, 20 Hz to 20 kHz.
    hiss_tilt_db : float
        Change of the hiss density from octave to octave.
    hears_db : float
        Sensitivity to the instrument and to the played noise.
    """

    name: str
    corner_hz: float
    resonance_hz: float
    resonance_db: float
    hum_dbfs: float
    harmonics: dict[int, float]
    hiss_dbfs: float
    hiss_tilt_db: float
    hears_db: float

    def hears(self, frequency_hz: Wave) -> Wave:
        """Return the amplitude with which frequencies are heard."""
        x = np.maximum(frequency_hz, 1e-3) / self.corner_hz
        octaves = np.log2(np.maximum(frequency_hz, 1.0) / self.resonance_hz)
        hump = 10 ** (self.resonance_db * np.exp(-((2.0 * octaves) ** 2)) / 20.0)
        gain: Wave = db_to_amplitude(self.hears_db) * x**2 / np.sqrt(1 + x**4) * hump
        return gain


BUILD_A = Build(
    name="A, ceramic disc under the bridge",
    corner_hz=140.0,
    resonance_hz=3400.0,
    resonance_db=6.0,
    hum_dbfs=-40.0,
    harmonics={1: 1.0, 2: 0.06, 3: 0.5, 5: 0.42, 7: 0.3, 9: 0.2, 11: 0.16, 13: 0.1, 15: 0.07},
    hiss_dbfs=-58.0,
    hiss_tilt_db=-1.5,
    hears_db=0.0,
)
BUILD_B = Build(
    name="B, hand-wound coil over the strings",
    corner_hz=60.0,
    resonance_hz=5200.0,
    resonance_db=3.0,
    hum_dbfs=-34.0,
    harmonics={1: 1.0, 2: 0.02, 3: 0.12, 5: 0.05, 7: 0.02},
    hiss_dbfs=-66.0,
    hiss_tilt_db=0.0,
    hears_db=-4.0,
)
ABOUT = """\
These captures are invented: every sample is computed, no such instrument was ever recorded.

A plucked lap harp in a shed on 50 Hz mains; build A is a ceramic disc under its bridge, build B
a hand-wound coil over its strings.

interface-floor  the interface alone, its input closed
dead-control     a dummy source in the place of a pickup: it hears nothing
silence-a, -b    each build, nobody plays
stimulus         white noise as it is played into the builds
noise-a, -b      each build hearing that noise
noise-control    the dead control while that noise plays: it still hears nothing
take-a, -b       a tune, recorded through both builds at once
truth.json       levels and frequencies that went in
truth/           signal, hum and hiss of each take, apart; they add up to the take
"""
INTERFACE_DBFS = -92.0
DEAD_CONTROL_DBFS = -80.0


def captures(seed: int = 1) -> tuple[dict[str, Wave], dict[str, Any]]:
    """Compute all captures of the demo and the truth about them.

    Parameters
    ----------
    seed : int, optional
        The same seed gives the same samples.

    Returns
    -------
    files : dict of str to ndarray of shape (frames,)
        Samples by file name, without its ending; those under ``truth/`` are the parts.
    truth : dict
        Plain data: levels in dBFS (0 dBFS is the rms of a full-scale sine), frequencies in Hz.
    """
    rng = np.random.default_rng(seed)
    files: dict[str, Wave] = {}
    truth: dict[str, Any] = {
        "invented": "Every sample here is computed. No such instrument or build was recorded.",
        "seed": seed,
        "rate_hz": RATE_HZ,
        "builds": {},
    }
    silence_frames, take_frames = (int(s * RATE_HZ) for s in (SILENCE_S, TAKE_S))
    files["interface-floor"] = _hiss(rng, silence_frames, INTERFACE_DBFS, 0.0)
    phase, mains_hz = _mains(rng, silence_frames)
    files["dead-control"] = _dead_control(rng, phase)
    stimulus = _hiss(rng, silence_frames, STIMULUS_DBFS, 0.0)
    files["stimulus"] = stimulus
    tune = _tune(rng, take_frames)
    take_phase, take_mains_hz = _mains(rng, take_frames)
    truth["mains_hz"] = {"silence": mains_hz, "take": take_mains_hz}
    for letter, build in (("a", BUILD_A), ("b", BUILD_B)):
        phase, silence_mains_hz = _mains(rng, silence_frames)
        silence_hum = _hum(phase, build.harmonics, build.hum_dbfs)
        silence_hiss = _hiss(rng, silence_frames, build.hiss_dbfs, build.hiss_tilt_db)
        files[f"silence-{letter}"] = silence_hum + silence_hiss
        phase, _ = _mains(rng, silence_frames)
        files[f"noise-{letter}"] = (
            _heard(stimulus, build)
            + _hum(phase, build.harmonics, build.hum_dbfs)
            + _hiss(rng, silence_frames, build.hiss_dbfs, build.hiss_tilt_db)
        )
        signal = _heard(tune, build)
        hum = _hum(take_phase, build.harmonics, build.hum_dbfs)
        hiss = _hiss(rng, take_frames, build.hiss_dbfs, build.hiss_tilt_db)
        files[f"take-{letter}"] = signal + hum + hiss
        files |= {
            f"truth/{letter}-{part}": wave
            for part, wave in (("signal", signal), ("hum", hum), ("hiss", hiss))
        }
        truth["builds"][letter] = {
            "name": build.name,
            "silence_mains_hz": silence_mains_hz,
            "hum_dbfs": build.hum_dbfs,
            "hiss_dbfs": build.hiss_dbfs,
            "harmonics": {str(h): a for h, a in build.harmonics.items()},
            "corner_hz": build.corner_hz,
            "take_signal_dbfs": rms_dbfs(float(np.mean(signal**2))),
        }
    phase, _ = _mains(rng, silence_frames)
    files["noise-control"] = _dead_control(rng, phase)
    return files, truth


def _dead_control(rng: np.random.Generator, phase: Wave) -> Wave:
    """Hum and hiss of the dead control."""
    return _hum(phase, {1: 1.0, 3: 0.4}, -76.0) + _hiss(rng, phase.size, DEAD_CONTROL_DBFS, 0.0)


def _mains(rng: np.random.Generator, frames: int) -> tuple[Wave, float]:
    """Phase in cycles of mains that wander by some 15 mHz, and their mean frequency in Hz."""
    knots = frames // RATE_HZ + 2
    wander = np.zeros(knots)
    for k in range(1, knots):
        wander[k] = 0.9 * wander[k - 1] + rng.normal(0.0, 0.0065)
    seconds = np.arange(frames) / RATE_HZ
    frequency = 49.98 + np.interp(seconds, np.arange(knots), wander)
    return rng.random() + np.cumsum(frequency) / RATE_HZ, float(frequency.mean())


def _hum(phase: Wave, harmonics: dict[int, float], level_dbfs: float) -> Wave:
    """Hum with fixed harmonics; their phases follow the harmonic's number."""
    wave = np.zeros_like(phase)
    for harmonic, amplitude in harmonics.items():
        wave += amplitude * np.cos(2 * np.pi * (harmonic * phase + 0.17 * harmonic**2))
    return _at_level(wave, level_dbfs)


def _hiss(rng: np.random.Generator, frames: int, level_dbfs: float, tilt_db: float) -> Wave:
    """Noise from 20 Hz to 20 kHz whose density changes by `tilt_db` an octave."""
    frequency = np.fft.rfftfreq(frames, 1 / RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    octaves = np.log2(np.maximum(frequency, 20.0) / 1000.0)
    spectrum *= 10 ** (tilt_db * octaves / 20.0) * ((frequency >= 20) & (frequency <= 20_000))
    return _at_level(np.fft.irfft(spectrum, frames), level_dbfs)


def _heard(wave: Wave, build: Build) -> Wave:
    frequency = np.arange(wave.size // 2 + 1, dtype=np.float64) * (RATE_HZ / wave.size)
    heard: Wave = np.fft.irfft(np.fft.rfft(wave) * build.hears(frequency), wave.size)
    return heard


def _at_level(wave: Wave, level_dbfs: float) -> Wave:
    """Scale to a level in dBFS, 0 dBFS being the rms of a full-scale sine."""
    scaled: Wave = wave * db_to_amplitude(level_dbfs - 20 * np.log10(np.sqrt(2 * np.mean(wave**2))))
    return scaled


def _tune(rng: np.random.Generator, frames: int) -> Wave:
    """Play a slow plucked tune, two seconds of rest before it and a long last decay."""
    wave = np.zeros(frames)
    when = 2.5
    while when < TAKE_S - 4.5:
        note_hz = float(rng.choice(NOTES_HZ))
        _pluck(wave, int(when * RATE_HZ), note_hz, float(rng.uniform(0.4, 1.0)), rng)
        if rng.random() < 0.3:
            _pluck(wave, int((when + 0.012) * RATE_HZ), note_hz * 1.5, 0.5, rng)
        when += float(rng.choice([0.35, 0.7, 0.7, 1.4]))
    wave *= 0.35 / np.abs(wave).max()
    return wave


def _pluck(
    wave: Wave, start: int, note_hz: float, loudness: float, rng: np.random.Generator
) -> None:
    """Add one plucked string: stiff-string partials, the higher the sooner gone."""
    place = rng.uniform(0.18, 0.28)
    for partial in range(1, 40):
        frequency = note_hz * partial * np.sqrt(1 + 2e-4 * partial**2)
        if frequency > 16_000:
            break
        amplitude = loudness * np.sin(np.pi * partial * place) / partial**1.3
        decay_s = 1.4 / (1 + 0.12 * partial) * (220.0 / note_hz) ** 0.4
        frames = min(wave.size - start, int(10 * decay_s * RATE_HZ))
        turn = 2j * np.pi * frequency
        begin = amplitude * np.exp(1j * rng.uniform(0, 2 * np.pi))
        tone = _powers(turn - 1 / decay_s, frames) - _powers(turn - 1 / 0.0015, frames)
        wave[start : start + frames] += (begin * tone).imag


def _powers(rate: complex, frames: int) -> NDArray[np.complex128]:
    """exp(rate t) at every sample, by products of coarse and fine steps."""
    step = 1024
    coarse = np.exp(rate * np.arange(0, frames, step) / RATE_HZ)
    fine = np.exp(rate * np.arange(step) / RATE_HZ)
    powers: NDArray[np.complex128] = np.multiply.outer(coarse, fine).ravel()[:frames]
    return powers
