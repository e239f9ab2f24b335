"""Metrics of a linear step against worked values and another implementation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanchain.measure import quality
from cleanchain.measure.fixed_cost import fixed_cost


def rows(*values: float) -> np.ndarray:
    return np.array([values], dtype=float)


def test_error_is_minus_si_sdr_worked_by_hand() -> None:
    # Le Roux et al. 2019, eq. 3.
    signal, kept = rows(3.0, -0.5, 2.0, 7.0), rows(2.5, 0.0, 2.0, 8.0)
    assert quality.signal_error_db(signal, kept) == pytest.approx(-18.4030, abs=5e-5)


def test_error_agrees_with_mir_eval_where_a_delay_cannot_help() -> None:
    from mir_eval.separation import bss_eval_sources

    rng = np.random.default_rng(3)
    signal, noise = rng.standard_normal((2, 48_000))
    noise -= (noise @ signal) / (signal @ signal) * signal
    kept = 0.5 * (signal + 0.1 * noise)
    with pytest.warns(FutureWarning):
        sdr = bss_eval_sources(signal[None], kept[None], compute_permutation=False)[0]
    # Its 512 taps fit 511 / 48000 of a white error as well: 0.05 dB.
    assert quality.signal_error_db(signal[None], kept[None]) == pytest.approx(-sdr[0], abs=0.1)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.01, 100.0), st.integers(0, 1000))
def test_a_plain_gain_counts_as_nothing(gain: float, seed: int) -> None:
    signal, other, noise = np.random.default_rng(seed).standard_normal((3, 1, 500))
    kept, left = signal + 0.1 * other, 0.3 * noise
    plain = quality.signal_error_db(signal, kept)
    assert quality.signal_error_db(signal, gain * kept) == pytest.approx(plain, abs=1e-6)
    fits = [quality.best_gain(signal, g * kept) for g in (1.0, gain)]
    assert quality.noise_removed_db(noise, gain * left, fits[1]) == pytest.approx(
        quality.noise_removed_db(noise, left, fits[0]), abs=1e-6
    )
    assert quality.signal_lost_db(signal, gain * signal, gain) == pytest.approx(0.0, abs=1e-9)


def test_floors_and_nothing() -> None:
    some, none = rows(1.0, -2.0), rows(0.0, 0.0)
    assert quality.signal_error_db(some, some) == -120.0
    assert quality.signal_error_db(none, none) is None
    assert quality.noise_removed_db(none, none, 1.0) is None
    assert quality.noise_removed_db(some, none, 1.0) == 200.0


def test_musical_noise_of_untouched_noise_is_one_and_of_a_random_mask_is_not() -> None:
    rng = np.random.default_rng(4)
    noise = quality.tiles(rng.standard_normal((1, 96_000)), 48_000)
    silent = quality.tiles(np.zeros((1, 96_000)), 48_000)
    assert quality.musical_noise(noise, noise, silent) == pytest.approx(1.0)
    mask = np.where(rng.random(noise.power.shape) < 0.02, 1.0, 0.003)
    chirping = quality.Tiles(noise.power * mask, noise.bin_hz, noise.hop_s)
    assert quality.musical_noise(noise, chirping, silent) > 10


def test_musical_noise_is_not_decided_by_a_few_tiles_beside_the_notes() -> None:
    rng = np.random.default_rng(6)
    noise = quality.tiles(rng.standard_normal((1, 480_000)), 48_000)
    silent = quality.tiles(np.zeros((1, 480_000)), 48_000)
    mask = np.full(noise.power.shape, 0.06)
    mask[:, ::100, 20:24] = 1.0
    left = quality.Tiles(noise.power * mask, noise.bin_hz, noise.hop_s)
    assert quality.musical_noise(noise, left, silent) == pytest.approx(1.0, abs=0.01)


def test_musical_noise_finds_the_octave_that_chirps() -> None:
    rng = np.random.default_rng(7)
    noise = quality.tiles(rng.standard_normal((1, 480_000)), 48_000)
    silent = quality.tiles(np.zeros((1, 480_000)), 48_000)
    mask = np.full(noise.power.shape, 0.003)
    mask[..., 116:226] = np.where(rng.random(mask[..., 116:226].shape) < 0.03, 1.0, 0.003)
    left = quality.Tiles(noise.power * mask, noise.bin_hz, noise.hop_s)
    assert quality.musical_noise(noise, left, silent) > 10


def test_musical_noise_of_a_moment_is_not_a_number() -> None:
    short = quality.tiles(np.random.default_rng(8).standard_normal((1, 20_000)), 48_000)
    assert quality.musical_noise(short, short, quality.tiles(np.zeros((1, 20_000)), 48_000)) is None


def test_fixed_cost_sees_through_noise_as_loud_as_the_signal() -> None:
    rng = np.random.default_rng(5)
    signal = np.zeros((1, 200_000))
    seconds = np.arange(200_000) / 48_000
    signal[0] = np.sin(2 * np.pi * 440 * seconds) + 0.1 * np.sin(2 * np.pi * 1000 * seconds)
    noise, draw = rng.standard_normal((2, 1, 200_000))

    def low_pass(wave: np.ndarray) -> np.ndarray:
        spectrum = np.fft.rfft(wave)
        spectrum[:, int(700 * 200_000 / 48_000) :] = 0
        return np.fft.irfft(spectrum, wave.shape[1])

    noisy = signal + noise
    cost = fixed_cost((noisy, low_pass(noisy)), (draw, low_pass(draw)), 3.0)
    true = quality.signal_error_db(signal, low_pass(signal))
    assert true == pytest.approx(-20.0, abs=0.1)
    assert cost is not None
    assert cost.error_at_most_db > true
    if cost.signal_error_db is not None:
        assert cost.signal_error_db == pytest.approx(true, abs=3 * cost.error_sd_db + 0.2)


def test_fixed_cost_hidden_by_the_hiss_is_not_a_number() -> None:
    rng = np.random.default_rng(6)
    signal = rng.standard_normal((1, 100_000))
    noise, draw = rng.standard_normal((2, 1, 100_000))
    noisy = signal + noise
    cost = fixed_cost((noisy, noisy), (draw, draw), 3.0)
    assert cost is not None
    assert cost.signal_error_db is None
    assert cost.error_at_most_db < -60
