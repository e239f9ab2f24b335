"""A known noise found in a recording: lag, drift of the clocks, transfer, coherence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.errors import FitError, InputError
from cleanchain.measure.bands import bands
from cleanchain.measure.noise_search import PlayedAt
from cleanchain.measure.played import KnownNoise, find_played
from cleanchain.measure.transfer import measure_transfer
from tests.generated_builds import (
    RATE_HZ,
    Build,
    band_truth,
    db,
    listening,
    mean_square,
    played,
    played_density,
)

QUIET = Build(hiss_dbfs=-60.0, hum_dbfs=-50.0, hears_db=-10.0, corner_hz=100.0)


def slower(wave: np.ndarray, drift_ppm: float) -> np.ndarray:
    """Resample a wave to a clock that makes it longer: exactly, by its Fourier series."""
    over = 8
    fine = np.fft.irfft(np.fft.rfft(wave), over * wave.size) * over
    at = np.arange(round(wave.size * (1 + 1e-6 * drift_ppm))) / (1 + 1e-6 * drift_ppm) * over
    first = np.minimum(at.astype(int), fine.size - 2)
    part = at - first
    return fine[first] * (1 - part) + fine[first + 1] * part


@pytest.mark.parametrize("lead_s", [0.0, 0.35, 2.71])
def test_the_lag_is_found(lead_s: float) -> None:
    rng = np.random.default_rng(1)
    stimulus = played(rng, 8.0)
    place = find_played(stimulus, listening(rng, QUIET, stimulus, lead_s))
    assert place.found
    assert place.lag_frames == pytest.approx(lead_s * RATE_HZ, abs=0.1)
    assert place.drift_ppm == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("drift_ppm", [-120.0, 3.0, 55.0])
def test_the_drift_of_the_clocks_is_found(drift_ppm: float) -> None:
    rng = np.random.default_rng(2)
    stimulus = played(rng, 20.0)
    late = replace(stimulus, samples=slower(stimulus.samples[0], drift_ppm)[None])
    heard = listening(rng, QUIET, late)
    place = find_played(stimulus, heard)
    assert place.found
    assert place.drift_ppm == pytest.approx(drift_ppm, abs=0.3)
    transfer = measure_transfer(stimulus, heard, place)
    # Unaligned, nothing would be coherent up there; the noise stands 20 dB over the hiss.
    high = (transfer.frequency_hz > 8000) & (transfer.frequency_hz < 18_000)
    assert transfer.coherence[high].mean() == pytest.approx(100 / 101, abs=0.002)


def test_a_recording_that_starts_late() -> None:
    rng = np.random.default_rng(3)
    stimulus = played(rng, 10.0)
    heard = listening(rng, QUIET, stimulus, 0.0)
    late = Capture(heard.samples[:, RATE_HZ:], RATE_HZ)
    assert find_played(stimulus, late).lag_frames == pytest.approx(-RATE_HZ, abs=0.1)


def test_the_wrong_way_round_is_found_too() -> None:
    rng = np.random.default_rng(4)
    stimulus = played(rng, 8.0)
    heard = listening(rng, QUIET, stimulus)
    place = find_played(stimulus, replace(heard, samples=-heard.samples))
    assert place.lag_frames == pytest.approx(0.35 * RATE_HZ, abs=0.1)


def test_far_below_the_floor() -> None:
    rng = np.random.default_rng(5)
    stimulus = played(rng, 30.0)
    deep = replace(QUIET, hears_db=-60.0)  # 30 dB below the hiss
    place = find_played(stimulus, listening(rng, deep, stimulus))
    assert place.found
    assert place.lag_frames == pytest.approx(0.35 * RATE_HZ, abs=1.0)


def test_what_is_not_there_is_not_found() -> None:
    deaf = replace(QUIET, hears_db=-300.0)
    for seed in range(12):
        rng = np.random.default_rng([6, seed])
        stimulus = played(rng, 6.0)
        assert not find_played(stimulus, listening(rng, deaf, stimulus)).found


def test_coherence_is_that_of_the_ratio() -> None:
    # Signal and independent noise at a power ratio R: R / (1 + R); 10 gives 0.90909.
    rng = np.random.default_rng(7)
    stimulus = Capture(0.01 * rng.standard_normal(60 * RATE_HZ), RATE_HZ)
    noise = 0.01 / np.sqrt(10) * rng.standard_normal(60 * RATE_HZ)
    heard = Capture(stimulus.samples + noise, RATE_HZ)
    transfer = measure_transfer(stimulus, heard, PlayedAt(0.0, 0.0, 100.0))
    inside = (transfer.frequency_hz > 100) & (transfer.frequency_hz < 20_000)
    assert transfer.coherence[inside].mean() == pytest.approx(10 / 11, abs=0.001)
    assert transfer.gain_db[inside].mean() == pytest.approx(0.0, abs=0.02)
    density = 2 * 0.01**2 / 10 / RATE_HZ
    assert transfer.residual[inside].mean() == pytest.approx(density, rel=0.01)


def test_coherence_of_nothing_is_one_over_the_averages() -> None:
    # Carter, Knapp & Nuttall 1973 (from memory).
    rng = np.random.default_rng(8)
    one, other = (Capture(rng.standard_normal(30 * RATE_HZ), RATE_HZ) for _ in range(2))
    transfer = measure_transfer(one, other, PlayedAt(0.0, 0.0, 100.0))
    assert transfer.coherence[10:-10].mean() == pytest.approx(1 / transfer.averages, rel=0.05)


def test_what_is_heard_in_bands() -> None:
    rng = np.random.default_rng(9)
    stimulus = played(rng)
    heard = listening(rng, QUIET, stimulus)
    powers = measure_transfer(stimulus, heard, find_played(stimulus, heard)).heard_in(bands())
    sure = 0
    for band, power, variance in zip(bands(), powers.power, powers.variance, strict=True):
        truth = band_truth(lambda hz: played_density(hz) * QUIET.hears(hz) ** 2, band)
        # The noise that was drawn has its own chance, too: W T pairs of values in a band.
        drawn = truth / np.sqrt((band.high_hz - band.low_hz) * 30.0)
        assert power == pytest.approx(truth, abs=4 * np.hypot(drawn, np.sqrt(variance)))
        sure += variance < (0.1 * truth) ** 2
    assert sure >= 24  # all but the lowest, where little is heard, and those that hum fills


def test_the_spread_of_a_heard_power_is_true() -> None:
    # Of nothing heard: deviations in units of the told standard deviation.
    away = []
    for seed in range(60):
        rng = np.random.default_rng([10, seed])
        one, other = (Capture(rng.standard_normal(4 * RATE_HZ), RATE_HZ) for _ in range(2))
        powers = measure_transfer(one, other, PlayedAt(0.0, 0.0, 100.0)).heard_in(bands(100, 8000))
        away.append(powers.power / np.sqrt(powers.variance))
    spread = np.std(away)
    assert np.mean(away) == pytest.approx(0.0, abs=0.15)
    assert spread == pytest.approx(1.0, abs=0.15)


def test_what_cannot_be_compared_is_refused() -> None:
    rng = np.random.default_rng(11)
    noise = played(rng, 5.0)
    with pytest.raises(FitError, match="44100 Hz"):
        find_played(noise, Capture(noise.samples, 44_100))
    with pytest.raises(InputError, match="digital silence"):
        find_played(noise, Capture(np.zeros(RATE_HZ), RATE_HZ))
    with pytest.raises(InputError, match="overlaps"):
        measure_transfer(noise, noise, PlayedAt(4.5 * RATE_HZ, 0.0, 100.0))


def test_levels_of_the_generator() -> None:
    # The tests above lean on it: a noise of -30 dBFS is one.
    wave = played(np.random.default_rng(12), 20.0).samples
    assert db(float(np.mean(wave**2))) == pytest.approx(-30.0, abs=0.02)
    assert db(mean_square(-12.0)) == pytest.approx(-12.0)


def test_one_search_after_the_other_finds_what_each_alone_finds() -> None:
    rng = np.random.default_rng(12)
    stimulus = played(rng, 6.0)
    known = KnownNoise(stimulus)
    for lead_s in (0.35, 1.7, 0.35):
        heard = listening(rng, QUIET, stimulus, lead_s)
        assert known.find_in(heard) == find_played(stimulus, heard)


@pytest.mark.parametrize("rate_hz", [4000, 8000, 96_000])
def test_a_second_or_two_is_enough_at_any_rate(rate_hz: int) -> None:
    rng = np.random.default_rng(13)
    wave = 0.1 * rng.standard_normal(3 * rate_hz)
    heard = Capture(0.5 * np.roll(wave, 30) + 0.01 * rng.standard_normal(wave.size), rate_hz)
    place = find_played(Capture(wave, rate_hz), heard)
    assert place.lag_frames == pytest.approx(30.0, abs=0.05)
    transfer = measure_transfer(Capture(wave, rate_hz), heard, place)
    assert np.median(transfer.gain_db) == pytest.approx(-6.02, abs=0.1)
