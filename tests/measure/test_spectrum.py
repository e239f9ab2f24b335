"""Spectral density against closed forms, published signals and simulated chance."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from cleanchain.audio.capture import Capture
from cleanchain.errors import InputError
from cleanchain.measure.spectrum import (
    Spectrum,
    equivalent_dof,
    frame_for,
    interval_factors,
    measure_spectrum,
)

RATE = 48_000


def db(power: float) -> float:
    return float(10 * np.log10(power))


def test_white_noise_has_the_density_of_its_variance() -> None:
    # 2 sigma^2 / fs; sigma = 0.01 at 48 kHz is -83.802 dB/Hz.
    rng = np.random.default_rng(1)
    spectrum = measure_spectrum(Capture(0.01 * rng.standard_normal(60 * RATE), RATE), 8192)
    assert db(float(spectrum.psd[0, 1:-1].mean())) == pytest.approx(-83.802, abs=0.05)


@pytest.mark.parametrize("offset", [0.0, 0.5])
def test_a_sine_sums_to_its_mean_square(offset: float) -> None:
    # Parseval: A^2 / 2 for A = 0.1 is -23.0103 dB wherever the sine lies between the bins.
    size = 8192
    frequency = (170 + offset) * RATE / size
    wave = 0.1 * np.sin(2 * np.pi * frequency * np.arange(10 * RATE) / RATE)
    spectrum = measure_spectrum(Capture(wave, RATE), size)
    total = spectrum.psd[0].sum() * spectrum.bin_hz
    assert db(total) == pytest.approx(-23.0103, abs=1e-3)
    peak = db(float(spectrum.psd[0].max()) * 1.5 * spectrum.bin_hz)
    # Scalloping of Hann half a bin off: 1.424 dB (Harris 1978, table I).
    assert peak == pytest.approx(-23.010 if offset == 0 else -24.434, abs=1e-2)


def test_the_signal_of_heinzel_ruediger_schilling() -> None:
    # Heinzel, Ruediger & Schilling 2002, section 13: two sines rounded to 1 mV steps at 10 kHz.
    # 2 V and 0.7071 V rms, and rounding noise of 1e-3 / sqrt(6 fs) = 4.08248e-6 V / sqrt(Hz).
    rate, frames = 10_000, 1_000_000
    t = np.arange(frames) / rate
    wave = 2.82842712474619 * np.sin(2 * np.pi * 1234 * t) + np.sin(2 * np.pi * 2500.2157 * t)
    spectrum = measure_spectrum(Capture(np.round(wave, 3), rate), 10_000)
    f, psd = spectrum.frequency_hz, spectrum.psd[0]
    for frequency, rms in ((1234.0, 2.0), (2500.2157, 1 / np.sqrt(2))):
        lobe = np.abs(f - frequency) < 12
        measured = np.sqrt(psd[lobe].sum() * spectrum.bin_hz)
        assert 20 * np.log10(measured / rms) == pytest.approx(0, abs=0.02)
    quiet = (f > 50) & (f < 4900) & (np.abs(f - 1234) > 100) & (np.abs(f - 2500.2) > 100)
    assert np.sqrt(psd[quiet].mean()) == pytest.approx(4.08248e-6, rel=0.03)


@pytest.mark.parametrize(
    ("overlap", "segments", "dof", "low_db", "high_db"),
    [
        (0.5, 7, 13.4, -2.76, 4.07),
        (0.5, 19, 36.1, -1.79, 2.27),
        (0.5, 99, 187.7, -0.84, 0.93),
        (0.75, 7, 7.8, -3.43, 5.72),
        (0.75, 19, 20.3, -2.31, 3.16),
        (0.75, 99, 103.4, -1.11, 1.27),
    ],
)
def test_degrees_of_freedom(
    overlap: float, segments: int, dof: float, low_db: float, high_db: float
) -> None:
    # Hann at 50 %: 36 K^2 / (19 K - 1) (Percival & Walden 1993, from memory); the rest recomputed.
    measured = equivalent_dof(4096, overlap, segments)
    assert measured == pytest.approx(dof, abs=0.06)
    if overlap == 0.5:
        assert measured == pytest.approx(36 * segments**2 / (19 * segments - 1), rel=2e-3)
    low, high = interval_factors(measured)
    assert (db(low), db(high)) == (
        pytest.approx(low_db, abs=0.02),
        pytest.approx(high_db, abs=0.02),
    )


@pytest.mark.parametrize("overlap", [0.5, 0.75])
def test_the_interval_covers_the_truth(overlap: float) -> None:
    # 2000 recordings of white noise, each of 19 segments at 50 %; every bin's truth is 2 / fs.
    size, recordings = 64, 2000
    frames = size * 10
    rng = np.random.default_rng(7)
    waves = rng.standard_normal((recordings, frames))
    # Recordings as channels: one call measures them all, each with a seed's own numbers.
    spectrum = measure_spectrum(Capture(waves, RATE), size, overlap)
    low, high = spectrum.interval()
    truth = 2.0 / RATE
    for bin_number in (8, 15, 22):
        psd = spectrum.psd[:, bin_number]
        covered = np.mean((low * psd <= truth) & (truth <= high * psd))
        assert covered == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(("first", "last"), [(10, 12), (8, 20), (5, 28)])
def test_the_interval_of_a_band_covers_the_truth(first: int, last: int) -> None:
    size, recordings = 64, 2000
    rng = np.random.default_rng(8)
    spectrum = measure_spectrum(Capture(rng.standard_normal((recordings, 320)), RATE), size)
    weights = np.zeros((1, size // 2 + 1))
    weights[0, first:last] = 1.0
    low, high = interval_factors(float(spectrum.sum_dof(weights)[0]))
    band, truth = spectrum.psd @ weights[0], 2.0 / RATE * (last - first)
    covered = np.mean((low * band <= truth) & (truth <= high * band))
    assert covered == pytest.approx(0.95, abs=0.02)


def test_degrees_of_freedom_of_a_wide_band_are_twice_bandwidth_times_time() -> None:
    spectrum = Spectrum(np.ones((1, 32_769)), RATE, 65_536, 0.5, 43)
    weights = np.zeros((1, 32_769))
    weights[0, 1000:5000] = 1.0
    seconds = 43 * 32_768 / RATE
    # Hann windows half overlapped keep 18/19 of what there is (Welch 1967: 36 K^2 / (19 K - 1)).
    expected = 2 * 4000 * spectrum.bin_hz * seconds * 18 / 19
    assert spectrum.sum_dof(weights)[0] == pytest.approx(expected, rel=0.005)


def test_agrees_with_scipy() -> None:
    rng = np.random.default_rng(2)
    wave = rng.standard_normal((2, 44_100))
    mine = measure_spectrum(Capture(wave, 44_100), 2048)
    frequency, theirs = scipy.signal.welch(wave, 44_100, "hann", 2048, 1024, detrend=False)
    np.testing.assert_allclose(mine.frequency_hz, frequency)
    np.testing.assert_allclose(mine.psd, theirs, rtol=1e-9)


def test_agrees_with_librosa() -> None:
    import librosa

    rng = np.random.default_rng(3)
    wave = rng.standard_normal(40_960)
    mine = measure_spectrum(Capture(wave, RATE), 2048)
    power = np.abs(librosa.stft(wave, n_fft=2048, hop_length=1024, center=False)) ** 2
    window = scipy.signal.get_window("hann", 2048)
    theirs = 2 * power.mean(axis=1) / (RATE * np.sum(window**2))
    np.testing.assert_allclose(mine.psd[0, 1:-1], theirs[1:-1], rtol=1e-6)


def test_batches_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    capture = Capture(rng.standard_normal(50_000), RATE)
    whole = measure_spectrum(capture, 1024)
    monkeypatch.setattr("cleanchain.measure.spectrum._BATCH_FRAMES", 5000)
    np.testing.assert_allclose(measure_spectrum(capture, 1024).psd, whole.psd, rtol=1e-12)


def test_frames_suit_the_recording() -> None:
    assert frame_for(30 * RATE, RATE) == 65_536
    assert frame_for(30 * 96_000, 96_000) == 131_072
    assert frame_for(RATE, RATE) == 8192
    assert frame_for(10, RATE) == 1024


def test_too_short_says_how_much_is_needed() -> None:
    with pytest.raises(InputError, match=r"needs 0\.02 s"):
        measure_spectrum(Capture(np.zeros(500), RATE))


@pytest.mark.parametrize("overlap", [0.5, 0.75])
@pytest.mark.parametrize("segments", [1, 5, 40])
def test_the_power_of_a_steady_line_is_known_by_the_length_it_is_averaged_over(
    overlap: float, segments: int
) -> None:
    size = 256
    hop = round(size * (1 - overlap))
    weight = np.zeros(size + (segments - 1) * hop)
    for start in range(0, segments * hop, hop):
        weight[start : start + size] += np.hanning(size + 1)[:-1] ** 2
    frames = weight.sum() ** 2 / (weight**2).sum()
    spectrum = Spectrum(np.ones((1, 2049)), RATE, 4096, overlap, segments)
    assert spectrum.steady_seconds == pytest.approx(frames / size * 4096 / RATE, rel=1e-9)
