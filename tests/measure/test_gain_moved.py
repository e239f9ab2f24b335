"""A gain that was moved between a silence and what belongs to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.build import measure_build
from cleanchain.measure.capture_checks import Check
from cleanchain.measure.gain_moved import compare_floors
from cleanchain.measure.levels import measure_levels
from tests.generated_builds import Build, listening, louder, noise, played, silence

BUILD = Build(hiss_dbfs=-65.0, tilt_db=-2.0, hears_db=-22.0)


def check(change_db: float, known: bool, build: Build = BUILD, later: Build = BUILD) -> Check:
    rng = np.random.default_rng(1)
    stimulus = played(rng, 10.0)
    captures = {
        "silence": silence(rng, build, 10.0),
        "stimulus": louder(listening(rng, later, stimulus), change_db),
    }
    report = measure_build(captures, stimulus if known else None)
    return next(check for check in report.checks if check.check == "gain")


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("change_db", [-1.0, 1.0, 6.0])
def test_a_moved_gain_is_found(change_db: float, known: bool) -> None:
    found = check(change_db, known)
    assert found.passed is False
    assert found.value == pytest.approx(change_db, abs=0.2)


@pytest.mark.parametrize("known", [True, False])
def test_a_gain_that_stayed_passes(known: bool) -> None:
    assert check(0.0, known).passed is True


def test_hum_that_moved_is_no_gain_that_moved() -> None:
    found = check(0.0, True, later=replace(BUILD, hum_dbfs=BUILD.hum_dbfs + 4.0))
    assert found.passed is True
    assert found.value == pytest.approx(0.0, abs=0.2)


def test_without_hum_and_without_the_noise_it_cannot_be_told() -> None:
    silent = replace(BUILD, hum_dbfs=-np.inf)
    found = check(1.0, False, silent, silent)
    assert found.passed is None
    assert "too few lines" in found.words


def test_two_floors_of_one_build() -> None:
    rng = np.random.default_rng(2)
    one, other = (silence(rng, BUILD, 10.0) for _ in range(2))
    same = compare_floors(measure_levels(one), measure_levels(other))
    assert same is not None
    assert not same.moved
    moved = compare_floors(measure_levels(one), measure_levels(louder(other, 1.0)))
    assert moved is not None
    assert moved.moved
    assert moved.move_db == pytest.approx(1.0, abs=0.15)


def test_another_noise_is_no_moved_gain() -> None:
    rng = np.random.default_rng(3)
    one = silence(rng, BUILD, 10.0)
    other = silence(rng, Build(tilt_db=3.0, harmonics={2: 1.0, 4: 0.3}, hum_dbfs=-44.0), 10.0)
    assert compare_floors(measure_levels(one), measure_levels(other)) is None


@pytest.mark.parametrize("hears_db", [-32.0, -22.0, -12.0])
def test_a_room_that_rings_on_is_no_gain_that_moved(hears_db: float) -> None:
    # A tail of 0.8 s reverberation time, as loud as the direct sound: all of it that comes later
    # than a segment counts as residual, and lifts the bands of a build that hears all alike.
    build = replace(BUILD, hears_db=hears_db, tilt_db=0.0, corner_hz=20.0)
    rng = np.random.default_rng(4)
    stimulus = played(rng, 10.0)
    t = np.arange(round(0.9 * 48_000)) / 48_000
    tail = rng.standard_normal(t.size) * 10 ** (-3 * t / 0.8)
    tail /= np.sqrt(np.sum(tail**2))
    size = stimulus.frames + t.size
    spectrum = np.fft.rfft(stimulus.samples[0], size)
    ringing = np.fft.irfft(spectrum * (1 + np.fft.rfft(tail, size)), size)
    heard = listening(rng, build, replace(stimulus, samples=ringing[None]))
    report = measure_build({"silence": silence(rng, build, 10.0), "stimulus": heard}, stimulus)
    assert next(c.passed for c in report.checks if c.check == "gain") is not False


def test_a_moved_gain_is_found_in_what_stands_over_an_interface_that_does_not_move() -> None:
    # Of a floor of which a half is the interface's behind the gain only 0.5 dB move.
    rng = np.random.default_rng(5)
    stimulus = played(rng, 10.0)
    build = replace(BUILD, hum_dbfs=-np.inf, tilt_db=0.0)
    behind = replace(build, hiss_dbfs=build.hiss_dbfs - 0.5)
    quiet, heard = silence(rng, build, 10.0), listening(rng, build, stimulus)

    def through(capture: Capture, gain_db: float) -> Capture:
        wave = louder(capture, gain_db).samples
        return Capture(wave + noise(rng, wave.shape[1], behind.hiss), 48_000)

    captures = {"silence": through(quiet, 0.0), "interface": through(silence(rng, behind), -200.0)}
    for gain_db, passed in ((1.0, False), (-1.0, False), (0.0, True)):
        report = measure_build(captures | {"stimulus": through(heard, gain_db)}, stimulus)
        assert next(c.passed for c in report.checks if c.check == "gain") is passed
