from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.band_powers import measure_floors
from cleanchain.measure.hum_difference import HumDifference, hum_difference
from cleanchain.measure.levels import Levels

RATE_HZ = 8000
AMPLITUDES = {1: 1.0, 3: 0.4, 5: 0.2}


def capture(seed: int, level: float) -> Capture:
    rng = np.random.default_rng(seed)
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    wave = 0.01 * rng.standard_normal(t.size)
    mains_hz = 50 + rng.normal(0, 0.02)
    for harmonic, amplitude in AMPLITUDES.items():
        turn = 2 * np.pi * mains_hz * harmonic * t + rng.uniform(0, 6.3)
        wave += level * amplitude * np.cos(turn)
    return Capture(wave, RATE_HZ)


def measured(*levels: float, seed: int = 0) -> list[Levels]:
    return measure_floors([capture(100 * seed + k, level) for k, level in enumerate(levels)])


def difference(floors: list[Levels]) -> HumDifference:
    found = hum_difference(floors[::2], floors[1::2])
    assert found is not None
    return found


def test_intervals_of_equal_hum_hold_nothing() -> None:
    found = [difference(measured(0.01, 0.01, seed=seed)) for seed in range(25)]
    inside = sum(one.low_db <= 0 <= one.high_db for one in found)  # type: ignore[operator]
    assert inside >= 21  # less than 21 of 25 by chance in 1 of 150 runs
    sizes = [one.difference_db for one in found]
    assert np.std(sizes) == pytest.approx(
        np.mean([(one.high_db - one.low_db) / 3.92 for one in found]), rel=0.4
    )


def test_levels_of_lines_are_those_that_went_in() -> None:
    found = difference(measured(0.02, 0.01))
    assert found.mains_hz == pytest.approx(50, abs=0.1)
    for (number, a, b), (harmonic, amplitude) in zip(found.lines, AMPLITUDES.items(), strict=True):
        assert number == harmonic
        for one, level in ((a, 0.02), (b, 0.01)):
            assert abs(one.power - (level * amplitude) ** 2 / 2) < 4 * one.sd


def test_repeats_that_scatter_widen_the_interval() -> None:
    steady = difference(measured(0.02, 0.01, 0.02, 0.01))
    moving = difference(measured(0.02, 0.01, 0.03, 0.013))
    assert moving.high_db - moving.low_db > 3 * (steady.high_db - steady.low_db)  # type: ignore[operator]


def test_no_hum_is_no_difference() -> None:
    assert hum_difference(measured(0.0), measured(0.0, seed=1)) is None
