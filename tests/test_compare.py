from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.compare import compare_silences, compare_takes, is_at_once, powers
from cleanchain.errors import FitError
from cleanchain.measure.differences import differences

RATE_HZ = 8000


def noise(seed: int, seconds: int = 10, gain: float = 0.01) -> np.ndarray:
    return gain * np.random.default_rng(seed).standard_normal(seconds * RATE_HZ)


def capture(wave: np.ndarray) -> Capture:
    return Capture(wave, RATE_HZ)


def test_intervals_cover_and_families_seldom_err() -> None:
    covered, wrong, families = [], 0, 100
    for seed in range(families):
        found = differences(powers(capture(noise(2 * seed))), powers(capture(noise(2 * seed + 1))))
        covered.append((found.low_db <= 0) & (found.high_db >= 0))
        wrong += bool(found.differs.any())
    assert np.mean(covered) == pytest.approx(0.95, abs=0.02)
    assert wrong <= 11  # 5 of 100 expected at most; more than 11 by chance in 1 of 200 runs


def test_finds_1_db_in_the_octave_where_it_is() -> None:
    spectrum = np.fft.rfft(noise(1, 30))
    frequency = np.fft.rfftfreq(30 * RATE_HZ, 1 / RATE_HZ)
    spectrum[(frequency >= 707.9) & (frequency < 1412.5)] *= 10 ** (1 / 20)
    found = differences(
        powers(capture(noise(2, 30))), powers(capture(np.fft.irfft(spectrum, 30 * RATE_HZ)))
    )
    assert found.centre_hz[found.differs] == pytest.approx([794.3, 1000.0, 1258.9], abs=0.1)
    assert found.difference_db[found.differs] == pytest.approx(1.0, abs=0.3)


def test_only_louder_is_not_better_and_quieter_is_not_better_without_a_stimulus() -> None:
    a, b, stimulus = noise(1), noise(2), 10 * noise(5)
    heard_a, heard_b = capture(noise(3) + stimulus), capture(2 * (noise(4) + stimulus))
    result = compare_silences([capture(a)], [capture(2 * b)], heard_a, heard_b)
    assert result["verdict"] == "no difference found"
    assert compare_silences([capture(2 * b)], [capture(a)])["verdict"] == "B is quieter"


def test_less_noise_at_the_same_signal_is_better() -> None:
    stimulus = 10 * noise(5)
    result = compare_silences(
        [capture(noise(1))],
        [capture(0.5 * noise(2))],
        capture(noise(3) + stimulus),
        capture(0.5 * noise(4) + stimulus),
    )
    assert result["verdict"] == "B is better"
    for row in result["snr_bands"][15:]:
        assert row["quieter_db"] == pytest.approx(6.02, abs=0.5)
        assert row["more_sensitive_db"] == pytest.approx(0.0, abs=0.5)


def test_repeats_that_scatter_hide_what_one_pair_would_show() -> None:
    gains = (0.8, 1.2, 1.25, 0.9)
    waves = [capture(gain * noise(seed)) for seed, gain in enumerate(gains)]
    assert compare_silences(waves[:1], waves[1:2])["verdict"] == "B is louder"
    assert compare_silences(waves[::2], waves[1::2])["verdict"] == "no difference found"


def test_takes_of_one_moment_are_told_from_others() -> None:
    same = noise(1)
    a, b = capture(same + noise(2, gain=0.001)), capture(-0.5 * same + noise(3, gain=0.001))
    assert is_at_once(a, b)
    assert not is_at_once(capture(noise(4)), capture(noise(5)))
    result = compare_takes(a, b)
    assert result["alignment"]["polarity"] == -1
    assert result["level_match_db"] == pytest.approx(6.0, abs=0.2)
    # Signal over noise is 100 in A and 25 in B: 1/(1 + 1/100) times 1/(1 + 1/25).
    shared = 1 / (1.01 * 1.04)
    expected = 10 * np.log10(shared / (1 - shared))
    assert result["snr_bands"][-1]["snr_db"] == pytest.approx(expected, abs=0.5)


def test_other_rates_do_not_fit() -> None:
    with pytest.raises(FitError, match="16000 Hz"):
        compare_silences([capture(noise(1))], [Capture(noise(2), 16_000)])
