"""From full scale to volts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.errors import InputError
from cleanchain.measure.calibration import Calibration, calibrate

RATE = 48_000


def tone(level_dbfs: float, hz: float = 1000.0) -> Capture:
    rng = np.random.default_rng(1)
    t = np.arange(5 * RATE) / RATE
    wave = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * t)
    return Capture(wave + 1e-5 * rng.standard_normal(t.size), RATE)


def test_a_tone_gives_full_scale() -> None:
    # -20 dBu that reads -30 dBFS: full scale is +10 dBu, 2.449 V.
    found = calibrate(tone(-30.0), math.sqrt(0.6) * 10 ** (-20 / 20))
    assert found.dbu == pytest.approx(10.0, abs=0.005)
    assert found.full_scale_v == pytest.approx(2.4495, abs=2e-3)
    # 0 dBV is +2.2185 dBu.
    assert found.dbu - found.dbv == pytest.approx(2.2185, abs=1e-4)


def test_levels_in_volts() -> None:
    # +4 dBu is 1.2277 V, +24 dBu 12.277 V; a full-scale sine has a mean square of one half.
    assert Calibration(1.2277, "given").dbu == pytest.approx(4.0, abs=1e-3)
    assert Calibration(12.277, "given").dbu == pytest.approx(24.0, abs=1e-3)
    assert Calibration(2.0, "given").volts_squared(0.5) == pytest.approx(4.0)


def test_even_a_mains_tone_calibrates() -> None:
    assert calibrate(tone(-20.0, 50.0), 1.0).full_scale_v == pytest.approx(10.0, rel=1e-3)


def test_noise_calibrates_nothing() -> None:
    noise = Capture(0.01 * np.random.default_rng(2).standard_normal(5 * RATE), RATE)
    with pytest.raises(InputError, match="not mainly one steady tone"):
        calibrate(noise, 1.0)
