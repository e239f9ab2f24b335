"""Captures that cannot be trusted, and one that can."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.capture_checks import Check, check_capture
from cleanchain.measure.levels import measure_levels
from tests.generated_builds import RATE_HZ, Build, silence


def capture(seconds: float = 30.0) -> Capture:
    return silence(np.random.default_rng(1), Build(), seconds)


def checks(wave: Capture) -> dict[str, Check]:
    return {check.check: check for check in check_capture("silence", wave, measure_levels(wave))}


def test_a_sound_capture_passes() -> None:
    found = checks(capture(70.0))
    assert {name: check.passed for name, check in found.items()} == dict.fromkeys(found, True)
    assert list(found) == ["clipping", "digital silence", "thumps", "length", "origin"]


def test_clipping_is_found_with_its_time() -> None:
    wave = capture(20.0).samples.copy()
    wave[0, 5 * RATE_HZ : 5 * RATE_HZ + 40] = 1.0
    found = checks(Capture(wave, RATE_HZ))["clipping"]
    assert found.passed is False
    assert "0:05" in found.words


@pytest.mark.parametrize("zeros_s", [0.02, 1.0])
def test_digital_silence_is_found(zeros_s: float) -> None:
    wave = capture(20.0).samples.copy()
    wave[0, 3 * RATE_HZ : 3 * RATE_HZ + round(zeros_s * RATE_HZ)] = 0.0
    found = checks(Capture(wave, RATE_HZ))["digital silence"]
    assert found.passed is False
    assert found.value == pytest.approx(zeros_s, abs=1e-4)


def test_zeros_across_blocks_are_one_row() -> None:
    # Blocks of the scan are 6.4 s long.
    wave = capture(20.0).samples.copy()
    wave[0, 6 * RATE_HZ : 13 * RATE_HZ] = 0.0
    assert checks(Capture(wave, RATE_HZ))["digital silence"].value == pytest.approx(7.0, abs=1e-4)


def test_a_thump_is_found_with_its_time() -> None:
    wave = capture(20.0).samples.copy()
    t = np.arange(RATE_HZ // 5) / RATE_HZ
    wave[0, 12 * RATE_HZ : 12 * RATE_HZ + t.size] += 0.02 * np.exp(-t / 0.03) * np.sin(400 * t)
    found = checks(Capture(wave, RATE_HZ))["thumps"]
    assert found.passed is False
    assert "0:12" in found.words


def test_an_offset_is_no_thump() -> None:
    wave = capture(10.0).samples + 0.3
    assert checks(Capture(wave, RATE_HZ))["thumps"].passed


def test_steady_captures_have_no_thumps() -> None:
    for seed in range(6):
        wave = silence(np.random.default_rng(seed), Build(tilt_db=-3.0), 10.0)
        assert checks(wave)["thumps"].passed


def test_a_short_capture_is_told_how_much_is_missing() -> None:
    # +-0.5 dB at 95 % are 580 degrees of freedom; the 50 Hz band, 11.57 Hz wide, has 18/19 of
    # 2 W T of them: 26.5 s.
    found = checks(capture(10.0))["length"]
    assert found.passed is False
    measured_s = measure_levels(capture(10.0)).seconds
    missing_s = 580 / (2 * 18 / 19 * 11.566) - measured_s
    assert f"record {missing_s:.0f} s more" in found.words
    assert checks(capture(32.0))["length"].passed


def test_that_many_seconds_give_half_a_db() -> None:
    # 200 recordings of 26.5 s, from a band of white noise of 11.566 Hz at a rate of 200 Hz.
    rng = np.random.default_rng(2)
    waves = rng.standard_normal((200, round(26.5 * 200)))
    power = np.abs(np.fft.rfft(waves)) ** 2
    hz = np.fft.rfftfreq(waves.shape[1], 1 / 200)
    level = 10 * np.log10(power[:, (hz > 44.668) & (hz < 56.234)].mean(axis=1))
    away = level - 10 * np.log10(waves.shape[1])
    assert np.mean(np.abs(away) < 0.5) == pytest.approx(0.955, abs=0.035)


@pytest.mark.parametrize("cut_hz", [11_025.0, 16_000.0])
def test_content_that_ends_at_a_cliff(cut_hz: float) -> None:
    # What lossy coding and a rate of 22.05 or 32 kHz leave: nothing from some frequency on.
    wave = silence(np.random.default_rng(3), Build(), 10.0)
    spectrum = np.fft.rfft(wave.samples)
    spectrum[:, np.fft.rfftfreq(wave.frames, 1 / RATE_HZ) > cut_hz] = 0.0
    cut = np.fft.irfft(spectrum, wave.frames)
    dither = 2**-23 * np.random.default_rng(4).standard_normal(cut.shape)
    found = checks(replace(wave, samples=cut + dither))["origin"]
    assert found.passed is False
    assert found.value == pytest.approx(cut_hz, rel=0.03)


def test_a_hiss_that_falls_is_no_cliff() -> None:
    assert checks(silence(np.random.default_rng(5), Build(tilt_db=-6.0), 10.0))["origin"].passed


@pytest.mark.parametrize("hiss_dbfs", [-45.0, -75.0])
def test_lossy_coding_is_told(hiss_dbfs: float) -> None:
    # Coded and decoded again at the library's usual bit rate; its cut lies near 17.6 kHz.
    import io

    import soundfile

    wave = silence(np.random.default_rng(6), Build(hiss_dbfs, -3.0, hiss_dbfs + 5), 10.0)
    assert checks(wave)["origin"].passed
    coded = io.BytesIO()
    soundfile.write(coded, wave.samples.T, RATE_HZ, format="MP3")
    coded.seek(0)
    decoded = soundfile.read(coded, always_2d=True)[0].T
    found = checks(Capture(decoded, RATE_HZ))["origin"]
    assert found.passed is False
    assert "lossy" in found.words
