from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.moved import Moved

RATE_HZ = 48_000
FRAMES = 20_000


def sine(frequency_hz: float, at: np.ndarray) -> np.ndarray:
    return np.sin(2 * np.pi * frequency_hz * at / RATE_HZ)


@pytest.mark.parametrize("frequency_hz", [50.0, 997.0, 10_000.0, 19_000.0])
def test_a_sine_is_read_at_other_moments(frequency_hz: float) -> None:
    source = Capture(sine(frequency_hz, np.arange(FRAMES)), RATE_HZ)
    lag, drift_ppm = 12.37, 80.0
    moved = Moved(source, lag, drift_ppm, 100, 15_000, -2.0, "b").read(0, 15_000)[0]
    at = (np.arange(15_000) + 100) * (1 + 1e-6 * drift_ppm) + lag
    error = moved + 2 * sine(frequency_hz, at)
    # 64 taps of a Kaiser window of 9: 90 dB down, and -106 dB from between the table's steps.
    assert np.abs(error).max() < 2 * 10 ** (-85 / 20)


def test_whole_frames_are_copied_and_ends_are_silent() -> None:
    wave = np.random.default_rng(1).standard_normal(FRAMES)
    moved = Moved(Capture(wave, RATE_HZ), -30.0, 0.0, 0, FRAMES, 1.0, "b").read(0, FRAMES)[0]
    assert not moved[:30].any()
    assert np.array_equal(moved[30:], wave[:-30])
    late = Moved(Capture(wave, RATE_HZ), 30.5, 0.0, 0, FRAMES, 1.0, "b").read(0, FRAMES)[0]
    assert late.size == FRAMES


def test_blocks_of_any_size_are_the_same() -> None:
    wave = np.random.default_rng(2).standard_normal(FRAMES)
    moved = Moved(Capture(wave, RATE_HZ), 3.3, -50.0, 0, FRAMES, 0.5, "b")
    whole = moved.read(0, FRAMES)
    for size in (1000, 7777):
        blocks = np.concatenate(list(moved.blocks(size)), axis=1)
        assert np.abs(blocks - whole).max() < 1e-12
