"""The noise to play into builds."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from cleanchain.errors import SettingError
from cleanchain.measure.stimulus import make_stimulus


def test_it_is_white_within_its_band_and_nothing_outside() -> None:
    noise = make_stimulus(10.0)
    power = np.abs(np.fft.rfft(noise.samples[0] * np.hanning(noise.frames))) ** 2
    hz = np.fft.rfftfreq(noise.frames, 1 / 48_000)
    edges = np.geomspace(25, 19_000, 12)
    levels = [
        10 * np.log10(power[(hz > low) & (hz < high)].mean()) for low, high in pairwise(edges)
    ]
    assert np.ptp(levels[3:]) < 0.3
    outside = power[(hz < 18) | (hz > 20_100)].mean()
    assert 10 * np.log10(outside) < np.mean(levels) - 60


@pytest.mark.parametrize("level_dbfs", [-30.0, -12.0])
def test_it_has_its_level_and_does_not_clip(level_dbfs: float) -> None:
    noise = make_stimulus(20.0, level_dbfs=level_dbfs)
    assert 10 * np.log10(2 * np.mean(noise.samples**2)) == pytest.approx(level_dbfs, abs=1e-9)
    assert np.abs(noise.samples).max() < 1.0
    assert np.abs(noise.samples[0, [0, -1]]).max() < 1e-4  # no click at either end


def test_a_seed_is_a_noise() -> None:
    assert np.array_equal(make_stimulus(5.0, 3).samples, make_stimulus(5.0, 3).samples)
    assert (
        abs(np.corrcoef(make_stimulus(5.0, 3).samples, make_stimulus(5.0, 4).samples)[0, 1]) < 0.02
    )


def test_a_low_rate_narrows_the_band() -> None:
    noise = make_stimulus(5.0, rate_hz=8000)
    power = np.abs(np.fft.rfft(noise.samples[0] * np.hanning(noise.frames))) ** 2
    hz = np.fft.rfftfreq(noise.frames, 1 / 8000)
    assert power[hz > 3610].mean() < 1e-6 * power[(hz > 100) & (hz < 3500)].mean()


@pytest.mark.parametrize(
    "values", [{"seconds": 4.0}, {"seconds": 601.0}, {"seconds": 9, "level_dbfs": -11.0}]
)
def test_what_is_out_of_range_is_refused(values: dict[str, float]) -> None:
    with pytest.raises(SettingError):
        make_stimulus(**values)
