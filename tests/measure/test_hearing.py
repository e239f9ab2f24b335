"""What a build hears against its floor, and against a dead control."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cleanchain.measure.bands import bands
from cleanchain.measure.build import measure_build
from cleanchain.measure.hearing import MARGIN_DB, Hearing, hears_more
from cleanchain.measure.levels import Estimates
from tests.generated_builds import (
    Build,
    band_truth,
    listening,
    played,
    played_density,
    silence,
    usable_from_truth,
)

BANDS = bands()


def hearing(ratio_db: np.ndarray, sd: float = 0.01, lines_db: np.ndarray | None = None) -> Hearing:
    """What is heard, relative to a hiss of 1 in every band, and lines above it."""
    ones = np.ones(len(BANDS))
    heard = 10 ** (ratio_db / 10)
    floor = ones if lines_db is None else 10 ** (lines_db / 10)
    return Hearing(
        BANDS, Estimates(heard, (sd * ones) ** 2), Estimates(floor, 1e-6 * floor**2), ones
    )


def test_usable_from_the_lowest_band_over_the_margin() -> None:
    ratio = np.where(np.arange(len(BANDS)) >= 9, 10.0, -20.0)
    found = hearing(ratio)
    band = found.usable_from()
    assert band is BANDS[9]
    assert found.surely_deaf_below(band)
    assert np.array_equal(found.usable, ratio > MARGIN_DB)


def test_a_gap_that_hum_makes_is_none() -> None:
    ratio = np.where(np.arange(len(BANDS)) >= 9, 10.0, -20.0)
    ratio[20] = 15.0
    lines = np.zeros(len(BANDS))
    lines[11] = 30.0
    found = hearing(ratio, lines_db=lines)
    assert found.drowned[11]
    assert found.usable_from() is BANDS[9]
    ratio[11] = -20.0  # now the build itself is deaf there
    found = hearing(ratio, lines_db=lines)
    assert not found.drowned[11]
    assert found.usable_from() is BANDS[12]


def test_nothing_heard_is_not_usable_and_not_surely_deaf_when_it_is_not_known() -> None:
    ratio = np.full(len(BANDS), -20.0)
    assert hearing(ratio).usable_from() is None
    ratio[9:] = 10.0
    vague = hearing(ratio, sd=3.0)  # 1.645 times 3 is over the margin of 4
    assert not vague.surely_deaf_below(BANDS[9])


def test_bounds_hold_the_ratio() -> None:
    found = hearing(np.full(len(BANDS), 3.0), sd=0.1)
    low, high = found.ratio_interval_db
    assert np.all(low < 3.0)
    assert np.all(high > 3.0)
    assert np.all(found.highest_ratio_db > 3.0)
    # 1.96 times a twentieth of the power, and little of the floor.
    assert high[0] == pytest.approx(10 * np.log10(2.0 + 0.196), abs=0.03)


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("corner_hz", [90.0, 900.0])
def test_the_usable_edge_of_a_build(corner_hz: float, known: bool) -> None:
    build = Build(hiss_dbfs=-70, hum_dbfs=-55, hears_db=-22, corner_hz=corner_hz, tilt_db=-1.0)
    rng = np.random.default_rng([1, int(corner_hz)])
    stimulus = played(rng, 20.0)
    report = measure_build(
        {"silence": silence(rng, build, 20.0), "stimulus": listening(rng, build, stimulus)},
        stimulus if known else None,
    )
    assert report.hearing is not None
    band = report.hearing.usable_from()
    assert band is not None
    # Either answer is right where a band's true ratio lies within half a dB of the margin.
    low, high = (usable_from_truth(build, margin) for margin in (5.5, 6.5))
    assert low - 1 <= BANDS.index(band) <= high + 1


def test_hum_does_not_hide_what_is_heard_beside_it() -> None:
    # Hum 60 dB over the hiss: the bands beside it, and the rest of its own, are still heard.
    build = Build(hiss_dbfs=-90, hum_dbfs=-40, hears_db=-45, corner_hz=30.0, mains_hz=59.93)
    rng = np.random.default_rng(2)
    stimulus = played(rng, 20.0)
    report = measure_build(
        {"silence": silence(rng, build, 20.0), "stimulus": listening(rng, build, stimulus)},
        stimulus,
    )
    assert report.hearing is not None
    heard = report.hearing.heard
    for place in range(6, len(BANDS) - 1):
        truth = band_truth(lambda hz: played_density(hz) * build.hears(hz) ** 2, BANDS[place])
        sd = float(np.sqrt(heard.variance[place]))
        # The noise that was drawn has its own chance, too: W T pairs of values in a band.
        drawn = truth / np.sqrt((BANDS[place].high_hz - BANDS[place].low_hz) * 20.0)
        assert heard.power[place] == pytest.approx(truth, abs=4 * np.hypot(sd, drawn))
        assert sd < 0.6 * truth
    assert report.hearing.drowned[BANDS.index(next(b for b in BANDS if b.name == "200"))]


def test_a_control_that_hears_as_much_is_taken_for_alive_in_one_of_a_hundred() -> None:
    rng = np.random.default_rng(3)
    n = len(BANDS)
    sd = np.full(n, 0.1)
    wrong = 0
    for _ in range(2000):
        one, other = (Estimates(sd * rng.standard_normal(n), sd**2) for _ in range(2))
        wrong += hears_more(one, other)
    assert wrong / 2000 <= 0.01


def test_one_band_is_enough_and_half_a_db_of_leak_is_not() -> None:
    n = len(BANDS)
    sure = np.full(n, 1e-4)
    leak = Estimates(np.ones(n), sure**2)
    assert not hears_more(Estimates(np.full(n, 1.12), sure**2), leak)
    one = np.ones(n)
    one[20] = 1.5
    assert hears_more(Estimates(one, sure**2), leak)


def test_a_live_build_10_db_under_its_floor_is_told_from_a_dead_one() -> None:
    build = Build(hiss_dbfs=-60, hears_db=-39.7, corner_hz=60.0)  # heard: -70 dBFS
    dead = replace(build, hears_db=-300.0)
    control = replace(dead, hum_dbfs=-70.0, hiss_dbfs=-66.0)
    for seed in range(2):
        rng = np.random.default_rng([4, seed])
        stimulus = played(rng, 10.0)
        rest = {
            "silence": silence(rng, build, 10.0),
            "control": silence(rng, control, 10.0),
            "control_stimulus": listening(rng, control, stimulus),
        }
        for one, alive in ((build, True), (dead, False)):
            captures = {**rest, "stimulus": listening(rng, one, stimulus)}
            assert measure_build(captures, stimulus).hears_more_than_control is alive
