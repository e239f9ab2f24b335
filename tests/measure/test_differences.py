"""Coverage, false alarms and power of differences of noises.

Long runs, over thousands of captures, stand in tests/bench/compare_bench.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from cleanchain.audio.capture import Capture
from cleanchain.measure.band_powers import BandPowers, hiss_powers, measure_floors
from cleanchain.measure.differences import (
    HUM_SHARE,
    decide,
    differences,
    octave_differences,
    repeated_differences,
    seconds_to_settle,
    weighted_holm,
)

RATE_HZ = 8000
CENTRE = 1000 * 10 ** (np.arange(-17, 14) / 10)


def capture(seed: int, seconds: int = 10) -> Capture:
    wave = 0.01 * np.random.default_rng(seed).standard_normal(seconds * RATE_HZ)
    return Capture(wave, RATE_HZ)


def drawn(rng: np.random.Generator, seconds: float = 30.0, gain: np.ndarray | float = 1.0):
    """Powers as a capture of so many seconds gives them: chi-square with 2 B T."""
    low, high = CENTRE / 10**0.05, CENTRE * 10**0.05
    dof = 2 * (high - low) * seconds
    power = gain * rng.chisquare(dof) / dof
    return BandPowers(low, CENTRE, high, power, dof, seconds)


def test_intervals_cover_and_families_seldom_err() -> None:
    covered, wide, wrong, families = [], [], 0, 60
    for seed in range(families):
        floors = measure_floors([capture(2 * seed), capture(2 * seed + 1)])
        a, b = hiss_powers(floors)
        (thirds, octaves), _ = decide(
            [differences(a, b), octave_differences(a, b)], [(1.0, HUM_SHARE)]
        )
        covered.append((thirds.low_db <= 0) & (thirds.high_db >= 0))
        wide.append((octaves.low_db <= 0) & (octaves.high_db >= 0))
        wrong += bool(thirds.differs.any() or octaves.differs.any())
    assert np.mean(covered) == pytest.approx(0.95, abs=0.02)
    assert np.mean(wide) == pytest.approx(0.95, abs=0.025)  # neighbours share two thirds each
    assert wrong <= 8  # 3 of 60 expected at most; more than 8 by chance in 1 of 250 runs


def test_finds_1_db_in_the_octave_where_it_is() -> None:
    loud = capture(1, 30).samples[0]
    spectrum = np.fft.rfft(loud)
    frequency = np.fft.rfftfreq(loud.size, 1 / RATE_HZ)
    spectrum[(frequency >= 707.9) & (frequency < 1412.5)] *= 10 ** (1 / 20)
    b = Capture(np.fft.irfft(spectrum, loud.size), RATE_HZ)
    powers = hiss_powers(measure_floors([capture(2, 30), b]))
    found = decide([differences(*powers), octave_differences(*powers)])[0]
    thirds = found[0]
    assert thirds.centre_hz[thirds.differs] == pytest.approx([794.3, 1000.0, 1258.9], abs=0.1)
    assert thirds.difference_db[thirds.differs] == pytest.approx(1.0, abs=0.3)


def test_1_db_over_the_lowest_octave_is_found_nine_times_in_ten() -> None:
    """22 to 45 Hz in 30 s: 1340 degrees of freedom, a difference of 4.2 standard deviations."""
    rng = np.random.default_rng(4)
    raised = np.where((CENTRE > 22) & (CENTRE < 45), 10**0.1, 1.0)
    hits = 0
    for _ in range(400):
        a, b = drawn(rng), drawn(rng, gain=raised)
        (_, octaves), _ = decide([differences(a, b), octave_differences(a, b)], [(1.0, HUM_SHARE)])
        hits += bool(octaves.differs[1])
    assert hits / 400 > 0.9


def test_the_seconds_it_asks_for_are_enough() -> None:
    rng = np.random.default_rng(5)
    octaves = octave_differences(drawn(rng, 10.0), drawn(rng, 10.0))
    wanted = seconds_to_settle(octaves, 10.0, np.ones(octaves.sd_db.size))
    place = int(np.argmax(wanted))
    raised = np.ones(CENTRE.size)
    raised[place : place + 3] = 10**0.1
    hits = 0
    for _ in range(400):
        a, b = drawn(rng, wanted[place]), drawn(rng, wanted[place], raised)
        (_, found), _ = decide([differences(a, b), octave_differences(a, b)], [(1.0, HUM_SHARE)])
        hits += bool(found.differs[place])
    assert hits / 400 == pytest.approx(0.9, abs=0.045)  # three standard deviations of 400 draws


def test_repeats_cover_whether_they_scatter_or_not() -> None:
    rng = np.random.default_rng(6)
    for spread_db in (0.0, 1.0):
        covered = []
        for _ in range(300):
            gains = 10 ** (spread_db * rng.standard_normal(4) / 10)
            group = [drawn(rng, 10.0, gain) for gain in gains]
            thirds, _, _ = repeated_differences(group[::2], group[1::2])
            covered.append((thirds.low_db <= 0) & (thirds.high_db >= 0))
        assert np.mean(covered) == pytest.approx(0.95, abs=0.03)


def test_weighted_holm_is_holm_at_equal_weights() -> None:
    # Holm 1979: 0.01 < 0.05 / 4, 0.013 < 0.05 / 3, then 0.03 > 0.05 / 2 ends it.
    probability = np.array([0.03, 0.01, 0.04, 0.013])
    assert weighted_holm(probability, np.ones(4)).tolist() == [False, True, False, True]
    # All the weight on one test leaves it the whole level, and the others what it leaves over.
    heavy = np.array([1.0, 1e-9, 1e-9, 1e-9])
    assert weighted_holm(probability, heavy).all()
    assert not weighted_holm(np.array([0.06, 0.01, 0.04, 0.013]), heavy).any()


def test_the_ratio_of_powers_is_judged_by_the_f_distribution() -> None:
    rng = np.random.default_rng(7)
    a, b = drawn(rng), drawn(rng)
    found = differences(a, b)
    expected = stats.f(b.dof, a.dof).cdf(b.power / a.power)
    assert found.probability == pytest.approx(2 * np.minimum(expected, 1 - expected), rel=1e-6)
