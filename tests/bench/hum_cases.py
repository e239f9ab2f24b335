"""Generated takes with mains hum of which everything is known, for the bench of the hum stage."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture
from cleanchain.measure.hum import learn_silence
from cleanchain.measure.mains import find_candidates
from cleanchain.units import rms_dbfs
from tests.bench.mixes import RATE_HZ, hiss, render

Wave = NDArray[np.float64]

SECONDS = 12.0
SILENCE_S = 8.0
HISS_DBFS = -70.0
INSTRUMENTS = ("nylon guitar", "steel guitar", "bass", "violin", "cello", "piano")
DRIFTS_HZ = (0.0, 0.02, 0.05)
LEVELS_DBFS = (-30.0, -40.0, -50.0, -60.0)
#: Relative amplitudes: odd as of a current with flat tops, even as of a full-wave rectifier
#: (4 / (pi (h^2 - 1)) for even h), mixed as of both and a little buzz.
ODD = {1: 1.0, 3: 0.5, 5: 0.35, 7: 0.2, 9: 0.12, 11: 0.1, 13: 0.06, 15: 0.04, 17: 0.03}
EVEN = {h: 4 / (np.pi * (h * h - 1)) for h in range(2, 17, 2)}
MIXED = {h: 0.8 / h + 0.02 for h in range(1, 21)}
KINDS = {"odd": ODD, "even": EVEN, "mixed": MIXED}


@dataclass(frozen=True)
class HumCase:
    """A take, its parts and its silence, each of shape (frames,)."""

    name: str
    instrument: str
    kind: str
    mains_hz: float
    drift_hz: float
    level_dbfs: float
    signal: Wave
    hum: Wave
    hiss: Wave
    silence: Wave
    reference: Wave

    @property
    def take(self) -> Wave:
        return self.signal + self.hum + self.hiss

    def error_db(self, out: Wave) -> float:
        """Error to signal and hiss, re the signal."""
        gap = out - self.signal - self.hiss
        return float(10 * np.log10((gap @ gap) / (self.signal @ self.signal)))


def cycles(mains_hz: float, drift_hz: float, frames: int, rng: np.random.Generator) -> Wave:
    """Phase in cycles of mains whose frequency walks in steps of one second.

    The walk has the given rms around its mean and is joined by straight lines.
    """
    knots = frames // RATE_HZ + 2
    walk = np.cumsum(rng.standard_normal(knots))
    walk -= walk.mean()
    walk *= drift_hz / np.sqrt(np.mean(walk**2))
    wander = np.interp(np.arange(frames) / RATE_HZ, np.arange(knots), walk)
    return rng.random() + np.cumsum(mains_hz + wander) / RATE_HZ


def waveform(phase: Wave, harmonics: dict[int, float], turns: Wave) -> Wave:
    """Sum of harmonics along a phase in cycles."""
    return np.sum(
        [a * np.cos(2 * np.pi * (h * phase + turns[h])) for h, a in harmonics.items()], axis=0
    )


def make(
    instrument: str, kind: str, mains_hz: float, drift_hz: float, level_dbfs: float, seed: int
) -> HumCase:
    """Make a case.

    The silence has the same waveform, another phase and another walk; the reference follows the
    mains of the take in another waveform (each harmonic up to 6 dB louder or weaker).
    """
    rng = np.random.default_rng(seed)
    harmonics, turns = KINDS[kind], rng.random(40)
    signal = render(instrument, seed % 3, SECONDS)
    pause = int(SILENCE_S * RATE_HZ)
    phase = cycles(mains_hz, drift_hz, signal.size, rng)
    hum = waveform(phase, harmonics, turns)
    still = waveform(cycles(mains_hz, drift_hz, pause, rng), harmonics, turns)
    gain = 10 ** ((level_dbfs - rms_dbfs(float(np.mean(hum**2)))) / 20)
    floor = 10 ** ((HISS_DBFS - 3.01) / 20)
    own = np.random.default_rng([seed, 5])
    dummy = {h: a * 10 ** (own.uniform(-6, 6) / 20) for h, a in harmonics.items()}
    reference = gain * waveform(phase, dummy, own.random(40))
    name = (
        f"{instrument} {kind} {mains_hz:.2f} Hz +-{1000 * drift_hz:.0f} mHz {level_dbfs:.0f} dBFS"
    )
    return HumCase(
        name, instrument, kind, mains_hz, drift_hz, level_dbfs, signal, gain * hum,
        floor * hiss("white", signal.size, rng),
        gain * still + floor * hiss("white", pause, rng),
        reference + floor * hiss("white", signal.size, own),
    )  # fmt: skip


#: Instrument, kind of hum, mains and drift in Hz, level, seed: what `make` takes.
Settings = tuple[str, str, float, float, float, int]


def all_settings(every: int = 1) -> Iterator[Settings]:
    """Settings of all combinations, or of every so many of them."""
    number = 0
    for nominal in (50.0, 60.0):
        for kind in KINDS:
            for drift_hz in DRIFTS_HZ:
                for level_dbfs in LEVELS_DBFS:
                    for instrument in INSTRUMENTS:
                        number += 1
                        if number % every == 0:
                            mains_hz = nominal + np.random.default_rng(number).uniform(-1.0, 1.0)
                            yield instrument, kind, mains_hz, drift_hz, level_dbfs, number


def oracle(case: HumCase, window_s: float = 1.0) -> Wave:
    """Subtract the true hum at a level fitted to the take in overlapping windows."""
    half = int(window_s * RATE_HZ / 2)
    window = 0.5 - 0.5 * np.cos(np.pi * np.arange(2 * half) / half)
    pad = (half, 2 * half)
    take, hum = np.pad(case.take, pad), np.pad(case.hum, pad)
    fitted = np.zeros_like(take)
    for start in range(0, take.size - 2 * half + 1, half):
        part = slice(start, start + 2 * half)
        energy = (window * hum[part]) @ hum[part]
        if energy > 0:
            fitted[part] += window * hum[part] * ((window * take[part]) @ hum[part] / energy)
    return (take - fitted)[half : half + case.take.size]


def frequency_errors(runs: Iterable[int]) -> tuple[Wave, float]:
    """Errors of the mains frequency of steady hums in white noise, Hz, and the least variance.

    Each run is a number, from which its noise is drawn.

    The joint Cramer-Rao bound of harmonics that are known to belong together,
    12 fs^2 / ((2 pi)^2 N (N^2 - 1) sum h^2 eta_h) with eta_h = A_h^2 / (2 sigma^2); that of one
    line is in Rife and Boorstyn (1974), equation 19 (from memory).
    """
    rate_hz, sigma, harmonics = 4000, 0.01, {1: 0.02, 3: 0.012, 5: 0.008, 7: 0.004}
    n = np.arange(6 * rate_hz)
    eta = sum(h * h * a * a / (2 * sigma**2) for h, a in harmonics.items())
    bound = 12 * rate_hz**2 / ((2 * np.pi) ** 2 * n.size * (n.size**2 - 1.0) * eta)
    errors = []
    for run in runs:
        rng = np.random.default_rng([int(run), 77])
        mains_hz = float(rng.choice([50.0, 60.0]) + rng.uniform(-0.9, 0.9))
        wave = sigma * rng.standard_normal(n.size)
        start = rng.random()
        for h, a in harmonics.items():
            wave += a * np.cos(2 * np.pi * (h * (mains_hz * n / rate_hz + start) + 0.1 * h * h))
        silence = Capture(wave, rate_hz)
        model = learn_silence(silence, find_candidates(silence)[0])
        errors.append(np.inf if model is None else model.mains_hz - mains_hz)
    return np.array(errors), bound
