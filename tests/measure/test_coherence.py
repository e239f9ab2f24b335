from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.coherence import (
    coherence_bias,
    coherence_sd,
    cross_spectra,
    no_coherence_threshold,
    squared_coherence,
    three_channel_noise,
    two_channel_noise,
)

RATE_HZ = 1000


def sensors(gains: tuple[float, ...], noise: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    """One signal 30 dB above unit noise in sensors of other gains and own noise."""
    rng = np.random.default_rng(1)
    signal = 31.6 * rng.standard_normal(400 * RATE_HZ)
    own = [sd * rng.standard_normal(signal.size) for sd in noise]
    return np.array([g * signal + n for g, n in zip(gains, own, strict=True)]), np.array(own)


def level_db(power: np.ndarray) -> float:
    return float(10 * np.log10(power[20:400].mean()))


def test_three_channels_tell_their_own_noise_whatever_their_gains() -> None:
    waves, own = sensors((1.0, 1.2, 0.8), (1.0, 2.0, 0.5))
    found = three_channel_noise(cross_spectra(waves, 1024)[0])
    true = cross_spectra(own, 1024)[0]
    # The product of gains spreads the signal's chance into the noise: a few tenths of a dB.
    for channel in range(3):
        assert level_db(found[channel]) == pytest.approx(
            level_db(true[channel, channel].real), abs=0.5
        )


def test_two_channels_do_so_only_at_equal_gain() -> None:
    for gains, right in (((1.0, 1.0), True), ((1.0, 1.2), False), ((1.0, 1.01), False)):
        waves, own = sensors(gains, (1.0, 1.0))
        found = two_channel_noise(cross_spectra(waves, 1024)[0])[20:400].mean()
        true = cross_spectra(own, 1024)[0][0, 0].real[20:400].mean()
        assert (abs(found / true - 1) < 0.1) == right


def test_a_mismatch_of_gain_falsifies_two_channels_by_so_much_of_the_signal() -> None:
    """At 30 dB of signal a thousandth of the gain takes most of the noise, a hundredth all of it.

    The bias is minus the mismatch times the signal's power.
    """
    levels = []
    for gain in (1.0, 1.001, 1.01):
        waves, own = sensors((1.0, gain), (1.0, 1.0))
        spectra = cross_spectra(waves, 1024)[0]
        signal = spectra[0, 0].real[20:400].mean()
        noise = two_channel_noise(spectra)[20:400].mean()
        true = cross_spectra(own, 1024)[0][0, 0].real[20:400].mean()
        assert noise == pytest.approx(true - (gain - 1) * signal, abs=0.1 * true)
        levels.append(noise / true)
    assert levels[0] == pytest.approx(1.0, abs=0.1)
    assert levels[1] < 10**-0.5  # 5 dB too low and more
    assert levels[2] < 0


def test_coherence_of_nothing_and_of_a_known_ratio() -> None:
    rng = np.random.default_rng(2)
    # Independent segments, so that the formulas hold as they stand.
    count, size, found = 32, 256, []
    for share in (0.0, 0.5):
        values = []
        for _ in range(200):
            same = rng.standard_normal((count, size))
            pair = [
                np.sqrt(share**0.5) * same
                + np.sqrt(1 - share**0.5) * rng.standard_normal((count, size))
                for _ in range(2)
            ]
            x, y = np.fft.rfft(pair)[..., 1:-1]
            spectra = np.array([[x * x.conj(), x * y.conj()], [y * x.conj(), y * y.conj()]])
            values.append(squared_coherence(spectra.mean(axis=2)))
        found.append(np.concatenate(values))
    assert found[0].mean() == pytest.approx(1 / count, rel=0.03)
    assert float(coherence_bias(np.array(0.0), count)) == 1 / count
    assert (found[0] > no_coherence_threshold(count)).mean() == pytest.approx(0.05, abs=0.006)
    assert found[1].std() == pytest.approx(float(coherence_sd(np.array(0.5), count)), rel=0.03)


@pytest.mark.parametrize(("count", "limit"), [(8, 0.348), (32, 0.0921), (100, 0.0298)])
def test_threshold_by_its_formula(count: int, limit: float) -> None:
    assert no_coherence_threshold(count) == pytest.approx(limit, abs=5e-4)
