from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.errors import SettingError
from cleanchain.measure.loudness import measure_loudness
from cleanchain.stages.loudness import Loudness

RATE_HZ = 48_000


def tone(level: float, seconds: float = 4.0) -> np.ndarray:
    return level * np.sin(2 * np.pi * 500 * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


def test_the_target_is_reached() -> None:
    take = Capture(tone(0.02), RATE_HZ)
    plan = Loudness(target_lufs=-20.0).plan(take)
    assert measure_loudness(plan.apply(take)[0]).integrated_lufs == pytest.approx(-20.0, abs=1e-6)
    assert plan.gain == pytest.approx(10 ** (plan.findings["gain_db"] / 20))


def test_one_hot_transient_holds_the_gain_down_and_is_named() -> None:
    wave = tone(0.02)
    wave[2 * RATE_HZ] = 0.9
    plan = Loudness(target_lufs=-16.0, ceiling_dbtp=-1.0).plan(Capture(wave, RATE_HZ))
    found = measure_loudness(plan.apply(Capture(wave, RATE_HZ))[0])
    assert found.true_peak_dbtp == pytest.approx(-1.0, abs=1e-6)
    assert plan.findings["shortfall_db"] > 10
    assert "the peak at 0:02.0 sets the limit" in plan.reasons["shortfall_db"]


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (np.zeros(RATE_HZ), "silent"),
        (tone(0.1, 0.2), "shorter"),
        (1e-5 * np.random.default_rng(1).standard_normal(RATE_HZ), "gate"),
    ],
)
def test_what_has_no_loudness_is_left_alone(samples: np.ndarray, words: str) -> None:
    take = Capture(samples, RATE_HZ)
    plan = Loudness().plan(take)
    assert plan.is_identity
    assert plan.gain == 1.0
    assert words in plan.reasons["gain_db"]


def test_a_large_rise_warns_of_the_monitors() -> None:
    plan = Loudness(target_lufs=-20.0).plan(Capture(tone(0.01), RATE_HZ))
    assert "start your monitors low" in plan.reasons["gain_db"]


def test_a_gain_of_exactly_0_db_is_the_identity() -> None:
    take = Capture(tone(0.1), RATE_HZ)
    loudness = measure_loudness(take).integrated_lufs
    assert loudness is not None
    assert Loudness(target_lufs=loudness).plan(take).is_identity


@pytest.mark.parametrize("settings", [{"target_lufs": 1.0}, {"ceiling_dbtp": 0.5}])
def test_settings_out_of_range_are_refused(settings: dict[str, float]) -> None:
    with pytest.raises(SettingError, match="outside"):
        Loudness(**settings)
