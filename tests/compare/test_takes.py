from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.compare.chain import is_chain
from cleanchain.compare.kind import tell_kind
from cleanchain.compare.placing import place_of
from cleanchain.compare.takes import compare_takes, one_moment
from cleanchain.compare.takes_data import takes_as_data
from cleanchain.errors import InputError
from cleanchain.measure.moved import Moved

RATE_HZ = 8000


def noise(seed: int, gain: float = 0.01, seconds: int = 20) -> np.ndarray:
    return gain * np.random.default_rng(seed).standard_normal(seconds * RATE_HZ)


def played(seed: int) -> np.ndarray:
    """Noise as an instrument is played: with pauses."""
    second = np.arange(20 * RATE_HZ) / RATE_HZ
    return noise(seed) * (second % 2 < 1.2)


def capture(wave: np.ndarray) -> Capture:
    return Capture(wave, RATE_HZ)


def test_takes_of_one_moment_are_told_from_others() -> None:
    same = played(1)
    a, b = capture(same + noise(2, 0.001)), capture(-0.5 * same + noise(3, 0.001))
    assert one_moment(a, b) is not None
    assert one_moment(capture(noise(4)), capture(noise(5))) is None
    assert tell_kind([a, b], silences=False, stimuli=False)[0] == "at-once"
    assert tell_kind([capture(noise(4)), capture(noise(5))], False, False)[0] == "silence"


def test_a_take_after_a_chain_is_told_from_takes_at_once() -> None:
    same = played(1) + noise(6, 0.001)
    filtered = np.convolve(same, [0.5, 0.3, 0.1])[: same.size]
    assert is_chain(capture(same), capture(filtered))
    assert not is_chain(capture(same + noise(2, 0.001)), capture(filtered + noise(3, 0.001)))
    assert tell_kind([capture(same), capture(filtered)], False, False)[0] == "chain"


def test_shared_part_polarity_and_level() -> None:
    same = noise(1)
    a, b = capture(same + noise(2, 0.001)), capture(-0.5 * same + noise(3, 0.001))
    data = takes_as_data(compare_takes([a, b]), RATE_HZ, "told")
    assert data["alignment"]["polarity"] == -1
    assert data["level_match_db"] == pytest.approx(6.0, abs=0.2)
    assert data["takes"][0]["level_residue_db"] == pytest.approx(0.0, abs=0.02)
    # Signal over noise is 100 in A and 25 in B: 1/(1 + 1/100) times 1/(1 + 1/25).
    shared = 1 / (1.01 * 1.04)
    expected = 10 * np.log10(shared / (1 - shared))
    inside = [row["snr_low_db"] < expected < row["snr_high_db"] for row in data["snr_bands"][5:]]
    assert np.mean(inside) > 0.8
    assert data["snr_bands"][-1]["snr_db"] == pytest.approx(expected, abs=0.5)
    # 6 dB of mismatch against a signal 20 dB up: no own noise from these two.
    assert data["own_noise"] == []
    assert any("No own noise" in reason for reason in data["reasons"])


def test_two_of_equal_gain_tell_their_noise() -> None:
    same = noise(1)
    a, b = capture(same + noise(2, 0.01)), capture(same + noise(3, 0.01))
    rows = takes_as_data(compare_takes([a, b]), RATE_HZ, "told")["own_noise"]
    known = [row for row in rows if row["level_dbfs"] is not None and row["centre_hz"] > 500]
    assert len(known) >= 5
    for row in known:
        true_dbfs = 10 * np.log10(2 * 1e-4 * row["centre_hz"] * (10**0.05 - 10**-0.05) / 4000)
        assert row["level_dbfs"] == pytest.approx(true_dbfs, abs=0.6)


def test_three_takes_tell_each_ones_noise_on_clocks_of_their_own() -> None:
    same = noise(1)
    waves = [
        g * same + noise(seed, n) for g, seed, n in ((1, 2, 1e-3), (2, 3, 4e-3), (0.5, 4, 5e-4))
    ]
    drifted = Moved(capture(waves[1]), 40.3, 20.0, 0, waves[1].size, -1.0, "b").read(
        0, waves[1].size
    )
    data = takes_as_data(
        compare_takes([capture(waves[0]), Capture(drifted, RATE_HZ), capture(waves[2])]),
        RATE_HZ,
        "told",
    )
    place = data["takes"][0]["alignment"]
    assert place["polarity"] == -1
    assert place["lag_frames"] == pytest.approx(-40.3, abs=0.05)
    assert place["drift_ppm"] == pytest.approx(-20.0, abs=1.0)
    for name, sd in (("A", 1e-3), ("B", 4e-3), ("C", 5e-4)):
        rows = [row for row in data["own_noise"] if row["take"] == name]
        near = [row for row in rows if 500 < row["centre_hz"] < 2600]
        for row in near:
            width = row["centre_hz"] * (10**0.05 - 10**-0.05)
            true_dbfs = 10 * np.log10(2 * sd**2 * width / 4000)
            assert row["level_dbfs"] == pytest.approx(true_dbfs, abs=1.0)


def test_takes_that_share_nothing_are_refused() -> None:
    with pytest.raises(InputError, match="holds nothing of what"):
        compare_takes([capture(noise(1)), capture(noise(2))])


def test_long_takes_stay_together_to_their_ends() -> None:
    seconds = 240
    second = np.arange(seconds * RATE_HZ) / RATE_HZ
    wave = noise(1, 0.01, seconds) * (0.3 + (second % 7 < 4))
    b = Moved(capture(wave), -40.3, 30.0, 0, wave.size, 1.0, "b").read(0, wave.size)[0]
    a, b = wave + noise(2, 0.003, seconds), b + noise(3, 0.003, seconds)
    place = place_of(capture(a), capture(b))
    assert place.drift_ppm == pytest.approx(-30.0, abs=0.02)
    # Frame n of the first lies at (n + 40.3) / (1 + 30e-6) of the second.
    end = wave.size - 10_000
    true = (end + 40.3) / (1 + 30e-6) - end
    found = place.lag_frames + 1e-6 * place.drift_ppm * end
    assert found == pytest.approx(true, abs=0.05)


def test_silences_of_their_own_give_signal_to_noise_but_no_better() -> None:
    same = noise(1)
    a, b = capture(same + noise(2, 0.001)), capture(same + noise(3, 0.0005))
    silences = [capture(noise(4, 0.001)), capture(noise(5, 0.0005))]
    data = takes_as_data(compare_takes([a, b], silences), RATE_HZ, "told")
    assert data["verdict"] == "B stands further above its own floor"
    known = [row for row in data["snr_bands"] if row["difference_db"] is not None]
    inside = [row["low_db"] < 6.02 < row["high_db"] for row in known]
    assert np.mean(inside) > 0.8
