"""Powers in octaves over time, against tones and against one transform of the whole."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.octaves import OCTAVES_HZ, octave_powers

RATE_HZ = 48_000


def tone(hz: float, level_db: float, seconds: float = 4.0) -> np.ndarray:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * time)[None]


@pytest.mark.parametrize("octave", range(10))
def test_a_tone_is_in_its_octave_alone(octave: int) -> None:
    powers = octave_powers(tone(1000.0 * 10 ** (0.3 * (octave - 5)), 0.0), RATE_HZ)
    middle = powers[:, 100:-100].mean(axis=1)
    others = np.delete(middle, octave)
    assert others.max() < 1e-3 * middle[octave]


def test_a_rumble_60_db_under_a_note_is_seen() -> None:
    fade = np.sin(np.pi * np.arange(4 * RATE_HZ) / (4 * RATE_HZ)) ** 2
    note, rumble = fade * tone(82.4, 0.0), tone(30.0, -60.0)
    alone = octave_powers(rumble, RATE_HZ)[0, 50:-50].mean()
    under = octave_powers(note + rumble, RATE_HZ)[0, 50:-50].mean()
    assert 10 * np.log10(under / alone) == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000])
def test_nothing_from_above_folds_back_into_the_low_octaves(rate_hz: int) -> None:
    seconds = np.arange(2 * rate_hz) / rate_hz
    fade = np.sin(np.pi * seconds / 2) ** 2
    for hz in np.random.default_rng(3).uniform(500.0, rate_hz / 2, 60):
        wave = fade * np.sin(2 * np.pi * hz * seconds)
        powers = octave_powers(wave[None], rate_hz)[:4].sum(axis=1)
        whole = octave_powers((fade * np.sin(2 * np.pi * 250.0 * seconds))[None], rate_hz)[3].sum()
        assert 10 * np.log10(powers.max() / whole) < -95.0, f"{hz:.0f} Hz"


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000])
def test_octaves_end_below_half_the_rate(rate_hz: int) -> None:
    noise = np.random.default_rng(1).standard_normal((2, 3 * rate_hz))
    powers = octave_powers(noise, rate_hz)
    count = sum(octave * 10**0.15 < rate_hz / 2 for octave in OCTAVES_HZ)
    assert powers.shape == (count, 300)


def test_each_octave_holds_its_share_of_white_noise() -> None:
    noise = np.random.default_rng(2).standard_normal((1, 20 * RATE_HZ))
    sums = octave_powers(noise, RATE_HZ).sum(axis=1)
    # Twice the width, twice the power, among the octaves of either kind (IEC 61260-1, base 10).
    for rises in (np.diff(10 * np.log10(sums[:4])), np.diff(10 * np.log10(sums[4:]))):
        assert rises == pytest.approx(3.0, abs=0.7)


def test_what_falls_with_time_falls() -> None:
    seconds = np.arange(4 * RATE_HZ) / RATE_HZ
    falling = tone(125.0, 0.0) * 10 ** (-seconds)  # 20 dB a second
    powers = 10 * np.log10(octave_powers(falling, RATE_HZ)[2])
    assert powers[150] - powers[250] == pytest.approx(20.0, abs=0.2)
