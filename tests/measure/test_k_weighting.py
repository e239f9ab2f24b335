"""The weighting in blocks, against a filter that goes sample by sample."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from cleanchain.measure.k_weighting import KWeighting, k_coefficients, k_response

RATES = [8_000, 11_025, 22_050, 44_100, 48_000, 192_000, 384_000]


def test_coefficients_at_48_khz_are_those_of_the_table() -> None:
    """ITU-R BS.1770-5 Annex 1, Tables 1 and 2."""
    (b1, a1), (b2, a2) = k_coefficients(48_000)
    assert b1 == pytest.approx([1.53512485958697, -2.69169618940638, 1.19839281085285], abs=1e-12)
    assert a1 == pytest.approx([1, -1.69065929318241, 0.73248077421585], abs=1e-12)
    assert b2 == pytest.approx([1, -2, 1], abs=1e-12)
    assert a2 == pytest.approx([1, -1.99004745483398, 0.99007225036621], abs=1e-12)


@pytest.mark.parametrize(
    ("hz", "gain_db"),
    [(20, -13.275), (31.5, -7.790), (50, -3.934), (60, -2.899), (100, -1.133), (200, -0.265),
     (500, 0.042), (997, 0.691), (1000, 0.698), (2000, 3.071), (4000, 3.968), (10_000, 4.042),
     (20_000, 4.043)],
)  # fmt: skip
def test_gain_of_the_weighting(hz: float, gain_db: float) -> None:
    """Computed from the coefficients of the table by another program."""
    gain = k_response(np.array([hz]), 48_000)
    assert 20 * np.log10(np.abs(gain[0])) == pytest.approx(gain_db, abs=0.001)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 31_999])
def test_low_rates_keep_the_curve(rate_hz: int) -> None:
    """To 0.01 dB up to 0.4 of the rate and to 0.03 dB up to half of it."""
    hz = np.linspace(5, rate_hz / 2, 3000)
    error_db = 20 * np.log10(np.abs(k_response(hz, rate_hz)) / np.abs(k_response(hz, 48_000)))
    assert np.abs(error_db[hz <= 0.4 * rate_hz]).max() < 0.01
    assert np.abs(error_db).max() < 0.03


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 31_999, 32_000, 44_100, 384_000])
def test_every_filter_is_stable(rate_hz: int) -> None:
    for _, denominator in k_coefficients(rate_hz):
        assert np.abs(np.roots(denominator)).max() < 1


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("blocks", [1, 2, 15, 16, 17, 255, 257, 5000])
def test_blocks_are_the_recursion(rate_hz: int, blocks: int) -> None:
    rng = np.random.default_rng(rate_hz + blocks)
    samples = 0.1 * rng.standard_normal((2, 32 * blocks))
    samples[1] += 0.3  # the high-pass has to take this away at every rate
    shelf, high_pass = k_coefficients(rate_hz)
    wanted = lfilter(*high_pass, lfilter(*shelf, samples))
    power = KWeighting(rate_hz).power(samples)
    assert np.abs(np.sqrt(power) - np.abs(wanted)).max() < 1e-7


@pytest.mark.parametrize("rate_hz", RATES)
def test_what_came_before_the_warm_up_has_died_away(rate_hz: int) -> None:
    weighting = KWeighting(rate_hz)
    pulse = np.zeros((1, 2 * weighting.warm_up_frames))
    pulse[0, 0] = 1.0
    assert weighting.warm_up_frames % 512 == 0
    out = np.sqrt(weighting.power(pulse)[0])
    assert out[weighting.warm_up_frames :].max() < 1e-15 * out.max()
