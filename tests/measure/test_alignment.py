from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.alignment import align

FRAMES = 200_000


def delayed(signal: np.ndarray, lag: float, drift_ppm: float) -> np.ndarray:
    """Read a signal late and at a clock of its own, by a windowed sinc."""
    time = np.arange(FRAMES)
    at = time + 5000 - lag - drift_ppm * 1e-6 * time
    whole = np.floor(at).astype(int)
    out = np.zeros(FRAMES)
    for tap in range(-16, 17):
        away = at - whole - tap
        out += signal[whole + tap] * np.sinc(away) * np.cos(np.pi * away / 36) ** 2
    return out


@pytest.mark.parametrize(
    ("lag", "drift_ppm", "polarity"),
    [(0.0, 0.0, 1), (0.25, 3.0, -1), (-147.4, 48.0, 1), (180.6, -50.0, -1)],
)
def test_lag_drift_and_polarity_at_20_db(lag: float, drift_ppm: float, polarity: int) -> None:
    rng = np.random.default_rng(3)
    size = 1 << 18
    low = np.fft.rfftfreq(size) < 0.3
    signal = np.fft.irfft(np.fft.rfft(rng.standard_normal(size)) * low, size)
    noise = 0.1 * signal.std() * rng.standard_normal((2, FRAMES))
    a = signal[5000 : 5000 + FRAMES] + noise[0]
    found = align(a, polarity * delayed(signal, lag, drift_ppm) + noise[1], 48_000)
    assert found.polarity == polarity
    assert found.lag_frames == pytest.approx(lag, abs=0.05)
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=1.0)
