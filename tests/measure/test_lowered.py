from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.lowered import Lowered, lowered


@pytest.mark.parametrize(("rate_hz", "low_hz"), [(48_000, 9600), (44_100, 11_025), (96_000, 9600)])
def test_it_keeps_what_is_low_and_nothing_folds_back(rate_hz: int, low_hz: int) -> None:
    t = np.arange(rate_hz) / rate_hz
    for tone_hz in (50.0, 3100.0, low_hz - 3100.0, low_hz - 50.0, 0.45 * rate_hz):
        low = lowered(Capture(np.cos(2 * np.pi * tone_hz * t), rate_hz), 3100.0)
        assert low.rate_hz == low_hz
        wave = low.read(0, low.frames)[0, 200:-200]
        if tone_hz <= 3100.0:
            true = np.cos(2 * np.pi * tone_hz * np.arange(200, low.frames - 200) / low_hz)
            # 0.01 dB is a part in 870.
            np.testing.assert_allclose(wave, true, atol=1.2e-3)
        elif low_hz - tone_hz <= 3100.0 or tone_hz > low_hz:
            assert np.abs(wave).max() < 1e-4  # -80 dB


def test_parts_are_parts_of_the_whole_and_the_ends_are_silent_beyond() -> None:
    low = lowered(Capture(np.random.default_rng(1).standard_normal((2, 4801)), 48_000), 3100.0)
    assert low.frames == 961
    whole = low.read(0, 961)
    parts = [low.read(start, start + 100) for start in range(0, 1000, 100)]
    np.testing.assert_allclose(np.concatenate(parts, axis=1), whole, atol=1e-15)
    assert low.read(961, 2000).shape == (2, 0)


def test_a_rate_without_a_divisor_stays() -> None:
    wave = Capture(np.zeros(100), 47_981)
    assert lowered(wave, 3100.0) is wave
    assert not isinstance(lowered(Capture(np.zeros(100), 16_000), 3100.0), Lowered)
