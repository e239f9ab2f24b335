"""The main job on real recordings (CC0, see data/CREDITS.md)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.stages.hum import Hum

DATA = Path(__file__).parent / "data"


def recording(name: str) -> Capture:
    samples, rate_hz = soundfile.read(DATA / name, always_2d=True)
    return Capture(samples.T, rate_hz, name)


def spectrum_db(samples: np.ndarray, rate_hz: int) -> tuple[np.ndarray, float]:
    """Level of a Hann-windowed spectrum in dB re full scale, and its bin width."""
    window = np.hanning(samples.size)
    amplitude = np.abs(np.fft.rfft(samples * window)) * 2 / window.sum()
    return 20 * np.log10(np.maximum(amplitude, 1e-12)), rate_hz / samples.size


def line_and_surroundings(samples: np.ndarray, rate_hz: int, hz: float) -> tuple[float, float]:
    """Level of a line (the largest of the bins within 0.2 Hz), and the median 3 to 6 Hz away."""
    level, bin_hz = spectrum_db(samples, rate_hz)
    frequency = np.arange(level.size) * bin_hz
    away = np.abs(frequency - hz)
    around = level[(away >= 3) & (away <= 6)]
    return float(level[away <= 0.2].max()), float(np.median(around))


@pytest.fixture(scope="module")
def em9() -> tuple[Capture, Capture, dict[str, object]]:
    take = recording("guit_em9.flac")
    plan = Hum().plan(take)
    return take, plan.apply(take)[0], dict(plan.findings)


def test_guitar_mains_frequency(em9: tuple[Capture, Capture, dict[str, object]]) -> None:
    """59.993 Hz by least squares over the first six seconds, an own measurement of the file."""
    assert em9[2]["mains_hz"] == pytest.approx(59.99, abs=0.02)


def test_guitar_hum_that_keeps_no_waveform_is_told_to_be_followed_line_by_line() -> None:
    """Its level goes from 0.7 to 1.2 and its phase by 20 degrees in seconds, as measured."""
    assert "unsteady" in Hum().plan(recording("guit_em9.flac")).reasons


@pytest.mark.parametrize("channel", [0, 1])
def test_guitar_hum_goes_down_to_its_surroundings(
    em9: tuple[Capture, Capture, dict[str, object]], channel: int
) -> None:
    take, cleaned, _ = em9
    first = slice(0, 6 * take.rate_hz)
    for harmonic in (1, 3, 5):
        hz = harmonic * 59.993
        before, _ = line_and_surroundings(take.samples[channel, first], take.rate_hz, hz)
        after, around = line_and_surroundings(cleaned.samples[channel, first], take.rate_hz, hz)
        assert after > around - 8.0, f"a hole at harmonic {harmonic}"
        if harmonic == 1:
            assert before - after >= 25.0
        else:
            assert after < around + 3.0, f"harmonic {harmonic} still stands out"


@pytest.mark.parametrize("channel", [0, 1])
def test_guitar_partials_stay(
    em9: tuple[Capture, Capture, dict[str, object]], channel: int
) -> None:
    take, cleaned, _ = em9
    before, bin_hz = spectrum_db(take.samples[channel], take.rate_hz)
    after, _ = spectrum_db(cleaned.samples[channel], take.rate_hz)
    frequency = np.arange(before.size) * bin_hz
    middle = before[1:-1]
    peaks = 1 + np.flatnonzero((middle > before[:-2]) & (middle > before[2:]) & (middle > -70))
    away = np.abs(frequency[peaks] - 59.993 * np.round(frequency[peaks] / 59.993))
    partials = peaks[(frequency[peaks] > 70) & (frequency[peaks] < 5000) & (away > 2)]
    assert partials.size > 30
    assert np.abs(after[partials] - before[partials]).max() < 0.3


@pytest.mark.parametrize("method", ["track", "notch"])
@pytest.mark.parametrize(
    "name", ["ambi_piano.flac", "guit_harmonics.flac", "perc_bell.flac", "guit_e_slide.flac"]
)
def test_where_there_is_no_certain_hum_the_stage_is_the_exact_identity(
    name: str, method: str
) -> None:
    take = recording(name)
    plan = Hum(method=method).plan(take)  # type: ignore[arg-type]
    assert plan.findings["mains_hz"] is None
    assert plan.is_identity
    assert np.array_equal(plan.apply(take)[0].samples, take.samples)
