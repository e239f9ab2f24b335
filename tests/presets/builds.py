"""Noise and takes of an invented build at 16 kHz: white hiss and some harmonics of the mains."""

from __future__ import annotations

import numpy as np

from cleanchain.audio.capture import Capture

RATE_HZ = 16_000
#: Amplitude of each harmonic.
HUM = {1: 0.01, 2: 0.001, 3: 0.004, 5: 0.002, 7: 0.001}
HISS = 0.003


def build_noise(
    rng: np.random.Generator, seconds: float, mains_hz: float = 50.02, gain_db: float = 0.0
) -> np.ndarray:
    """Hum and hiss in 24 bits."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * mains_hz * t + rng.uniform(0, 6)
    hum = sum(size * np.cos(h * phase + h**2) for h, size in HUM.items())
    wave = (hum + HISS * rng.standard_normal(t.size)) * 10 ** (gain_db / 20)
    return np.round(wave * 2**23) / 2**23


def take_of(seed: int, **how: float) -> Capture:
    """Two seconds of rest and some plucked notes, in the noise of the build."""
    rng = np.random.default_rng(seed)
    t = np.arange(7 * RATE_HZ) / RATE_HZ
    music = np.zeros_like(t)
    for k, hz in enumerate((220.0, 277.2, 329.6, 440.0)):
        since = t - 2.0 - 0.6 * k
        music += np.where(since > 0, 0.2 * np.exp(-2.5 * since.clip(0)), 0) * np.sin(
            2 * np.pi * hz * since
        )
    return Capture(music + build_noise(rng, 7.0, **how), RATE_HZ, "take")
