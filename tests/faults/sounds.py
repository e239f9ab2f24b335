"""Invented sounds: hiss, hum, plucked notes."""

from __future__ import annotations

import numpy as np

RATE_HZ = 16_000


def hiss(seconds: float, seed: int = 1, rate_hz: int = RATE_HZ, channels: int = 1) -> np.ndarray:
    """Hiss of shape (frames, channels), 50 dB below full scale."""
    rng = np.random.default_rng(seed)
    return 0.003 * rng.standard_normal((round(seconds * rate_hz), channels))


def hum(seconds: float, rate_hz: int = RATE_HZ, mains_hz: float = 50.0) -> np.ndarray:
    """Hum of shape (frames, 1)."""
    phase = 2 * np.pi * mains_hz * np.arange(round(seconds * rate_hz)) / rate_hz
    return (0.01 * np.sin(phase) + 0.004 * np.sin(3 * phase + 1))[:, None]


def notes(seconds: float, rate_hz: int = RATE_HZ, first_s: float = 1.5) -> np.ndarray:
    """Plucked notes, one every 0.6 s from `first_s` on, shape (frames, 1)."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    music = np.zeros_like(t)
    for number, start in enumerate(np.arange(first_s, seconds - 0.5, 0.6)):
        since = t - start
        hz = (220.0, 277.2, 329.6, 440.0)[number % 4]
        music += np.where(since > 0, 0.2 * np.exp(-4 * since.clip(0)), 0) * np.sin(
            2 * np.pi * hz * since
        )
    return music[:, None]
