from __future__ import annotations

from typing import Any

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


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"target_lufs": 1.0}, "outside"),
        ({"ceiling_dbtp": 0.5}, "outside"),
        ({"mono": "x"}, "as-is or dual"),
    ],
)
def test_settings_out_of_range_are_refused(settings: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingError, match=words):
        Loudness(**settings)


def noise(level: float, seconds: float = 6.0, seed: int = 3) -> np.ndarray:
    return level * np.random.default_rng(seed).standard_normal(int(seconds * RATE_HZ))


def test_the_new_noise_floor_stands_beside_the_loudness() -> None:
    silence = Capture(noise(0.001, 20.0), RATE_HZ, "silence")
    plan = Loudness(target_lufs=-20.0).plan(
        Capture(tone(0.05) + noise(0.001, 4.0), RATE_HZ), silence
    )
    after = plan.apply(silence)[0].samples
    assert plan.findings["floor_heard_s"] == 5.0
    assert plan.findings["floor_after_dbfs"] == pytest.approx(
        10 * np.log10(2 * np.mean(after**2)), abs=0.05
    )
    told = plan.reasons["after_lufs"]
    assert f"{plan.findings['integrated_lufs']:.1f} LUFS before, -20.0 after" in told
    assert f"noise floor {plan.findings['floor_after_dbfs']:.1f} dBFS (from 5 s" in told


def test_noise_is_not_brought_up() -> None:
    silence = Capture(noise(0.003), RATE_HZ)
    only_noise = Capture(noise(0.003, seed=4), RATE_HZ)
    plan = Loudness().plan(only_noise, silence)
    assert plan.is_identity
    assert "not 3 LU louder than its silence" in plan.reasons["gain_db"]
    assert Loudness(target_lufs=-60.0).plan(only_noise, silence).gain < 1.0  # down it may go
    music = Capture(noise(0.003, 4.0, seed=4) + tone(0.02), RATE_HZ)
    assert Loudness().plan(music, silence).gain > 1.0


def test_one_channel_counts_once_or_twice() -> None:
    take = Capture(tone(0.1), RATE_HZ)
    once, twice = (Loudness(mono=mono).plan(take) for mono in ("as-is", "dual"))  # type: ignore[arg-type]
    two = Loudness().plan(Capture(np.tile(tone(0.1), (2, 1)), RATE_HZ))
    assert twice.findings["integrated_lufs"] == pytest.approx(two.findings["integrated_lufs"])
    assert once.gain / twice.gain == pytest.approx(np.sqrt(2))
    assert "one channel, counted once" in once.reasons["after_lufs"]
    assert "as from two loudspeakers" in twice.reasons["after_lufs"]
    assert "channel" not in two.reasons["after_lufs"]


def test_takes_that_belong_together_keep_their_balance() -> None:
    loud, quiet = (Capture(tone(level), RATE_HZ, name) for level, name in ((0.1, "a"), (0.03, "b")))
    short = Capture(tone(0.05, 0.2), RATE_HZ, "c")
    plans = Loudness(target_lufs=-18.0).plan_together([loud, quiet, short], [None] * 3)
    assert len({plan.gain for plan in plans}) == 1
    both = np.concatenate(
        [plan.apply(take)[0].samples for plan, take in zip(plans, (loud, quiet), strict=False)],
        axis=1,
    )
    whole = measure_loudness(Capture(both, RATE_HZ)).integrated_lufs
    assert whole == pytest.approx(-18.0, abs=0.1)  # blocks across the seam make the difference
    assert plans[2].findings["after_lufs"] is None
    assert plans[0].findings["takes_with_this_gain"] == 3


def test_the_hottest_take_limits_the_set_and_is_named() -> None:
    wave = tone(0.02)
    wave[RATE_HZ] = 0.9
    takes = [Capture(tone(0.02), RATE_HZ, "calm"), Capture(wave, RATE_HZ, "hot")]
    plans = Loudness(target_lufs=-16.0).plan_together(takes, [None, None])
    assert "the peak of hot at 0:01.0 sets the limit" in plans[0].reasons["shortfall_db"]
    peaks = [plan.findings["after_true_peak_dbtp"] for plan in plans]
    assert max(peaks) == pytest.approx(-1.0, abs=1e-9)


def test_a_set_without_loudness_is_left_alone() -> None:
    takes = [Capture(np.zeros(RATE_HZ), RATE_HZ), Capture(tone(0.1, 0.2), RATE_HZ)]
    plans = Loudness().plan_together(takes, [None, None])
    assert all(plan.is_identity for plan in plans)
    assert "silent" in plans[0].reasons["gain_db"]
    assert "shorter" in plans[1].reasons["gain_db"]


def test_a_digital_silence_has_no_level() -> None:
    plan = Loudness().plan(Capture(tone(0.05), RATE_HZ), Capture(np.zeros(RATE_HZ), RATE_HZ))
    assert plan.findings["floor_after_dbfs"] is None
    assert "the silence is digital silence" in plan.reasons["after_lufs"]
