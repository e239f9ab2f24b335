"""Levels of noise: calibration, weightings, bands, intervals, hum and hiss apart."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.bands import bands
from cleanchain.measure.levels import Estimates, band_estimates, measure_levels
from cleanchain.measure.spectrum import measure_spectrum
from tests.generated_builds import RATE_HZ, Build, db, mean_square, noise, silence


def white(seed: int, seconds: float, level_dbfs: float = -40.0) -> Capture:
    frames = round(seconds * RATE_HZ)
    wave = noise(
        np.random.default_rng(seed),
        frames,
        lambda hz: mean_square(level_dbfs) / 19_980 * ((hz >= 20) & (hz <= 20_000)),
    )
    return Capture(wave, RATE_HZ)


@pytest.mark.parametrize(
    ("weighting", "level_dbfs"), [("none", -20.0), ("a", -20.0), ("468", -20.0), ("ccir", -25.63)]
)
def test_a_tone_of_1_khz_at_minus_20_dbfs(weighting: str, level_dbfs: float) -> None:
    # 0 dBFS is the rms of a full-scale sine (AES17-2015, 3.12); CCIR-RMS is 5.63 dB lower at 1 kHz.
    wave = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(10 * RATE_HZ) / RATE_HZ)
    dither = 1e-6 * np.random.default_rng(1).standard_normal(wave.size)
    levels = measure_levels(Capture(wave + dither, RATE_HZ))
    assert db(levels.power(weighting)) == pytest.approx(level_dbfs, abs=0.01)


@pytest.mark.parametrize(
    ("weighting", "change_db"), [("none", 0.0), ("a", -2.05), ("468", 7.26), ("ccir", 1.63)]
)
def test_weighted_white_noise(weighting: str, change_db: float) -> None:
    # Integrals of the standards' curves from 20 Hz to 20 kHz; 60 s leave 0.006 dB of chance.
    levels = measure_levels(white(2, 60.0))
    assert db(levels.power(weighting)) - -40.0 == pytest.approx(change_db, abs=0.05)


def test_bands_of_white_noise_rise_by_1_db() -> None:
    levels = measure_levels(
        Capture(np.random.default_rng(3).standard_normal(60 * RATE_HZ), RATE_HZ)
    )
    width = np.array([band.high_hz - band.low_hz for band in levels.bands])
    away = 10 * np.log10(levels.band_power.power / (2 / RATE_HZ * width))
    # 2 W T degrees of freedom, 18/19 of them kept; four standard deviations.
    assert np.all(np.abs(away) < 4 * 4.343 * np.sqrt(2 / (2 * width * 60 * 18 / 19)))


def test_bands_do_not_depend_on_the_frame_length() -> None:
    # Ten minutes, so that chance leaves less than the tolerance in the 20 Hz band.
    capture = Capture(np.random.default_rng(4).standard_normal(600 * RATE_HZ), RATE_HZ)
    short, long = (band_levels(capture, frame) for frame in (4096, 65_536))
    assert np.abs(short - long).max() < 0.2


@pytest.mark.parametrize("seed", [1, 2])
def test_a_build_does_not_depend_on_the_frame_length(seed: int) -> None:
    capture = silence(np.random.default_rng(seed), Build(tilt_db=-2.0), 60.0)
    short, long = (measure_levels(capture, frame_frames=frame) for frame in (4096, 131_072))
    difference = 10 * np.log10(short.band_power.power / long.band_power.power)
    assert np.abs(difference)[2:-1].max() < 0.2
    assert db(short.hum_power) == pytest.approx(db(long.hum_power), abs=0.02)
    assert db(short.hiss_power) == pytest.approx(db(long.hiss_power), abs=0.02)


def band_levels(capture: Capture, frame: int) -> np.ndarray:
    spectrum = measure_spectrum(capture, frame)
    return 10 * np.log10(band_estimates(spectrum, spectrum.psd[0], bands()).power)


@pytest.mark.parametrize(
    ("hiss_dbfs", "tilt_db", "hum_dbfs", "mains_hz"),
    [
        (-60.0, 0.0, -50.0, 50.02),
        (-66.0, -3.0, -34.0, 49.93),
        (-91.0, -2.6, -44.0, 59.92),  # side lobes of the hum stand 20 dB over the hiss
        (-55.0, 1.5, -75.0, 60.05),
    ],
)
def test_hum_and_hiss_of_a_build(
    hiss_dbfs: float, tilt_db: float, hum_dbfs: float, mains_hz: float
) -> None:
    build = Build(hiss_dbfs, tilt_db, hum_dbfs, mains_hz=mains_hz)
    levels = measure_levels(silence(np.random.default_rng(5), build))
    assert db(levels.hiss_power) == pytest.approx(hiss_dbfs, abs=0.3)
    assert db(levels.hum_power) == pytest.approx(hum_dbfs, abs=0.3)
    assert levels.split.mains_hz == pytest.approx(mains_hz, abs=0.01)


def test_the_interval_of_a_band_covers_the_truth() -> None:
    # 2000 recordings of a second; 95 % of the intervals hold the true level.
    recordings, at_once = 2000, 250
    shown = bands(125, 8000)[::3]
    truth = np.array([2 / RATE_HZ * (band.high_hz - band.low_hz) for band in shown])
    rng = np.random.default_rng(6)
    covered = np.zeros(len(shown))
    for _ in range(recordings // at_once):
        waves = rng.standard_normal((at_once, RATE_HZ // 2))
        spectrum = measure_spectrum(Capture(waves, RATE_HZ), 4096)
        for psd in spectrum.psd:
            low, high = band_estimates(spectrum, psd, shown).interval()
            covered += (low <= truth) & (truth <= high)
    np.testing.assert_allclose(covered / recordings, 0.95, atol=0.02)


def test_an_interval_of_few_and_of_many_freedoms() -> None:
    # Chi-square: 10 freedoms, 95 %: 10 / 20.483 and 10 / 3.247; a sure power has no interval.
    low, high = Estimates(np.array([1.0, 1.0]), np.array([0.2, 0.0])).interval()
    assert low == pytest.approx([10 / 20.483, 1.0], rel=1e-4)
    assert high == pytest.approx([10 / 3.247, 1.0], rel=1e-4)


def test_white_noise_has_no_lines() -> None:
    # 20 recordings: half a million bins that could each be taken for one.
    for seed in range(20):
        wave = 1e-3 * np.random.default_rng(seed).standard_normal(6 * RATE_HZ)
        split = measure_levels(Capture(wave, RATE_HZ)).split
        assert (split.mains_hz, split.lines) == (None, ())
