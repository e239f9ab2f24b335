"""Lines told apart from hiss, with their uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.levels import measure_levels
from cleanchain.measure.lines import split_lines
from cleanchain.measure.mains import Candidate
from cleanchain.measure.spectrum import measure_spectrum
from tests.generated_builds import Build, db, silence


def test_the_signal_of_heinzel_ruediger_schilling() -> None:
    # Heinzel, Ruediger & Schilling 2002, section 13: 2 V and 0.7071 V rms at 1234 Hz and
    # 2500.2157 Hz, rounded to 1 mV at 10 kHz, noise of 4.08248e-6 V per root Hz.
    t = np.arange(1_000_000) / 10_000
    wave = 2.82842712474619 * np.sin(2 * np.pi * 1234 * t) + np.sin(2 * np.pi * 2500.2157 * t)
    levels = measure_levels(Capture(np.round(wave, 3), 10_000))
    loud = sorted(levels.split.lines, key=lambda line: -line.power)[:2]
    for line, (hz, rms) in zip(loud, ((1234, 2.0), (2500.2157, np.sqrt(0.5))), strict=True):
        assert line.frequency_hz == pytest.approx(hz, abs=0.005)
        assert 10 * np.log10(line.power / rms**2) == pytest.approx(0.0, abs=0.02)
    f = levels.spectrum.frequency_hz
    quiet = (f > 50) & (f < 4900)
    assert np.sqrt(levels.split.hiss[quiet].mean()) == pytest.approx(4.08248e-6, rel=0.03)
    assert levels.split.mains_hz is None


def test_harmonics_have_their_levels() -> None:
    build = Build(hum_dbfs=-40.0, hiss_dbfs=-70.0, harmonics={1: 1.0, 2: 0.1, 3: 0.5, 11: 0.05})
    split = measure_levels(silence(np.random.default_rng(1), build)).split
    assert [line.harmonic for line in split.harmonics] == [1, 2, 3, 11]
    for line, (hz, power) in zip(split.harmonics, build.lines().items(), strict=True):
        assert line.frequency_hz == pytest.approx(hz, abs=0.05)
        assert db(line.power) == pytest.approx(db(power), abs=0.1)


def test_the_uncertainty_of_a_line_is_true() -> None:
    # 300 recordings of 12 s at 4 kHz, a line of 17 dB-Hz over the hiss; deviations in units of
    # the told standard deviation are standard normal.
    rate, recordings = 4000, 300
    rng = np.random.default_rng(2)
    t = np.arange(12 * rate) / rate
    away, mains = [], []
    for _ in range(recordings):
        phase = rng.uniform(0, 2 * np.pi)
        wave = 0.158 * np.cos(2 * np.pi * 50.03 * t + phase) + rng.standard_normal(t.size)
        spectrum = measure_spectrum(Capture(wave, rate), 8192)
        split = split_lines(spectrum, [Candidate(50.03, {1: 20.0})])
        line = next(line for line in split.harmonics if line.harmonic == 1)
        away.append((line.power - 0.158**2 / 2) / line.sd)
        assert split.mains_hz is not None
        assert split.mains_sd_hz is not None
        mains.append((split.mains_hz - 50.03) / split.mains_sd_hz)
    # Of 300, the standard deviation is known to 4 %, the mean to 0.06.
    assert np.mean(away) == pytest.approx(0.0, abs=0.25)
    assert np.std(away) == pytest.approx(1.0, abs=0.2)
    assert np.std(mains) < 1.2  # the frequency's is told with a margin


def test_lines_that_are_no_mains() -> None:
    t = np.arange(20 * 48_000) / 48_000
    wave = silence(np.random.default_rng(3), Build(), 20.0).samples[0]
    wave = wave + 1e-3 * np.cos(2 * np.pi * 1007.0 * t) + 5e-4 * np.cos(2 * np.pi * 8000 * t)
    split = measure_levels(Capture(wave, 48_000)).split
    assert [round(line.frequency_hz, 1) for line in split.others] == [1007.0, 8000.0]
    assert [line.harmonic for line in split.harmonics] == [1, 3, 5]


@pytest.mark.parametrize("hz", [58.25, 63.97, 46.2])
def test_a_tone_near_the_mains_is_none(hz: float) -> None:
    # The A sharp of a piano and a synthesiser's tone lie near 60 Hz and are no mains.
    t = np.arange(10 * 48_000) / 48_000
    rng = np.random.default_rng(4)
    wave = 0.01 * np.cos(2 * np.pi * hz * t) + 1e-4 * rng.standard_normal(t.size)
    split = measure_levels(Capture(wave, 48_000)).split
    assert split.mains_hz is None
    assert [round(line.frequency_hz, 1) for line in split.others] == [pytest.approx(hz, abs=0.06)]


def test_wandering_mains_keep_their_power() -> None:
    rate = 48_000
    rng = np.random.default_rng(5)
    knots = np.cumsum(rng.normal(0, 0.005, 32)) + 49.97
    frequency = np.interp(np.arange(30 * rate) / rate, np.arange(32), knots)
    phase = 2 * np.pi * np.cumsum(frequency) / rate
    wave = 0.01 * (np.cos(phase) + 0.3 * np.cos(9 * phase)) + 1e-3 * rng.standard_normal(phase.size)
    levels = measure_levels(Capture(wave, rate))
    assert db(levels.hum_power) == pytest.approx(db(0.5 * 0.01**2 * 1.09), abs=0.1)
    assert levels.split.mains_hz == pytest.approx(float(frequency.mean()), abs=0.01)


def test_the_lower_end_of_a_falling_hiss_is_no_line() -> None:
    # Seven minutes, so that chance hides little; the hiss ends at 20 Hz and falls from there on.
    rate, frames = 8000, 3_200_000
    hz = np.fft.rfftfreq(frames, 1 / rate)
    shape = np.where(hz >= 20, np.maximum(hz, 1.0) ** -0.6, 0.0)
    wave = np.fft.irfft(np.fft.rfft(np.random.default_rng(3).standard_normal(frames)) * shape)
    wave *= 0.01 / wave.std()
    assert measure_levels(Capture(wave, rate)).split.lines == ()
    t = np.arange(frames) / rate
    rumble = measure_levels(Capture(wave + 0.002 * np.cos(2 * np.pi * 24.5 * t), rate)).split
    # To a bin: the falling hiss under it draws its centre of gravity.
    assert [line.frequency_hz for line in rumble.lines] == [pytest.approx(24.5, abs=0.49)]
