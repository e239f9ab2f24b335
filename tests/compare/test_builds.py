from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.compare.builds import Build, compare_builds
from cleanchain.compare.words import builds_as_data
from cleanchain.errors import FitError, InputError

RATE_HZ = 8000


def noise(seed: int, seconds: int = 10, gain: float = 0.01) -> np.ndarray:
    return gain * np.random.default_rng(seed).standard_normal(seconds * RATE_HZ)


def capture(wave: np.ndarray) -> Capture:
    return Capture(wave, RATE_HZ)


def compared(*builds: Build) -> dict[str, Any]:
    return builds_as_data(compare_builds(builds), "silence", "Taken for silences.")


def build(name: str, *silences: np.ndarray, stimulus: np.ndarray | None = None) -> Build:
    heard = None if stimulus is None else capture(stimulus)
    return Build(name, tuple(capture(one) for one in silences), heard)


def with_hum(seed: int, level: float) -> np.ndarray:
    """Hiss and a hum whose mains are a little elsewhere in each capture."""
    rng = np.random.default_rng([seed, 1])
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    mains_hz = 50 + rng.normal(0, 0.02)
    wave = noise(seed)
    for harmonic, amplitude in ((1, 1.0), (3, 0.4), (5, 0.2)):
        turn = 2 * np.pi * mains_hz * harmonic * t + rng.uniform(0, 6.3)
        wave += level * amplitude * np.cos(turn)
    return wave


def test_only_louder_is_not_better() -> None:
    stimulus = 10 * noise(5)
    result = compared(
        build("A", noise(1), stimulus=noise(3) + stimulus),
        build("B", 2 * noise(2), stimulus=2 * (noise(4) + stimulus)),
    )
    assert result["verdict"] == "no difference found"
    assert result["seconds_to_settle"] > 0
    assert any("would show 1 dB" in reason for reason in result["reasons"])
    for row in result["snr_bands"]:
        assert row["low_db"] - 1 < 0 < row["high_db"] + 1
        assert row["more_sensitive_db"] == pytest.approx(6.02, abs=1.5)
        parts = row["more_sensitive_db"] + row["quieter_db"]
        assert parts == pytest.approx(row["difference_db"], abs=1e-9)


def test_quieter_is_not_better_without_a_stimulus() -> None:
    assert compared(build("A", 2 * noise(2)), build("B", noise(1)))["verdict"] == "B is quieter"
    assert compared(build("A", noise(2)), build("B", 2 * noise(1)))["verdict"] == "B is louder"


def test_less_noise_at_the_same_signal_is_better() -> None:
    stimulus = 10 * noise(5)
    # B was recorded with half a second less before the stimulus: no difference of level.
    late = np.concatenate([np.zeros(RATE_HZ // 2), stimulus])
    result = compared(
        build("A", noise(1), stimulus=noise(3, 11)[: late.size] + late),
        build("B", 0.5 * noise(2), stimulus=0.5 * noise(4) + stimulus),
    )
    assert result["verdict"] == "B is better"
    assert result["alignment"]["lag_frames"] == pytest.approx(-RATE_HZ / 2, abs=0.1)
    for row in result["snr_bands"][10:]:
        assert row["quieter_low_db"] < 6.02 + 0.3
        assert row["quieter_high_db"] > 6.02 - 0.3
        # The same noise in both cancels: this is known far better than by its level alone.
        assert row["more_sensitive_db"] == pytest.approx(0.0, abs=0.1)


def test_a_gain_moved_between_silence_and_stimulus_is_seen() -> None:
    stimulus = 10 * noise(5)
    result = compared(
        build("A", with_hum(1, 0.05), stimulus=with_hum(2, 0.05) + stimulus),
        build("B", with_hum(3, 0.05), stimulus=2 * (with_hum(4, 0.05) + stimulus)),
    )
    assert result["verdict"].startswith("not known: the gain was moved")


def test_hum_is_told_apart_from_hiss() -> None:
    result = compared(build("A", with_hum(1, 0.02)), build("B", with_hum(2, 0.01)))
    assert not any(row["differs"] for row in result["bands"])
    (hum,) = result["hum"]
    assert hum["differs"]
    assert hum["low_db"] < -6.02 < hum["high_db"]
    assert [line["harmonic"] for line in hum["lines"]] == [1, 3, 5]
    assert result["verdict"] == "B is quieter"


def test_a_hum_that_is_gone_has_a_bound() -> None:
    (hum,) = compared(build("A", with_hum(1, 0.02)), build("B", noise(2)))["hum"]
    assert hum["difference_db"] is None
    assert hum["high_db"] < -25
    assert hum["differs"]


def test_hum_hides_the_hiss_of_its_own_band() -> None:
    result = compared(build("A", with_hum(1, 0.5)), build("B", with_hum(2, 0.5)))
    rows = {round(row["centre_hz"]): row for row in result["bands"]}
    assert rows[50]["difference_db"] is None
    assert not rows[50]["differs"]
    assert rows[32]["difference_db"] is not None
    assert any("hides the hiss" in reason for reason in result["reasons"])


def test_repeats_that_scatter_hide_what_one_pair_would_show() -> None:
    gains = (0.8, 1.2, 1.25, 0.9)
    waves = [gain * noise(seed) for seed, gain in enumerate(gains)]
    assert compared(build("A", waves[0]), build("B", waves[1]))["verdict"] == "B is louder"
    both = compared(build("A", *waves[::2]), build("B", *waves[1::2]))
    assert both["verdict"] == "no difference found"
    assert any("own spread" in reason for reason in both["reasons"])


def test_steady_repeats_count_as_one_long_capture() -> None:
    def settle(*seeds: int) -> float:
        a = build("A", *(noise(seed) for seed in seeds[::2]))
        b = build("B", *(noise(seed) for seed in seeds[1::2]))
        (pair,) = compare_builds([a, b])
        return float(pair.octaves.sd_db[0])

    assert settle(1, 2, 3, 4) == pytest.approx(settle(1, 2) / np.sqrt(2), rel=0.05)


def test_a_noise_that_is_not_steady_is_told() -> None:
    rising = noise(2) * np.repeat([1.0, 1.3], 5 * RATE_HZ)
    result = compared(build("A", noise(1)), build("B", rising))
    assert any("silence of B: its halves differ" in reason for reason in result["reasons"])
    assert not any("silence of A" in reason for reason in result["reasons"])


def test_three_builds_are_each_set_against_the_first() -> None:
    result = compared(build("A", noise(1)), build("B", noise(2)), build("C", 0.5 * noise(3)))
    assert result["verdict"] == "no difference found (against A); C is quieter (against A)"
    assert {row["pair"] for row in result["bands"]} == {"B - A", "C - A"}


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(FitError, match="16000 Hz"):
        compare_builds([build("A", noise(1)), Build("B", (Capture(noise(2), 16_000),))])
    with pytest.raises(InputError, match="digital silence"):
        compare_builds([build("A", noise(1)), build("B", np.zeros(80_000))])
