from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.compare.chain import compare_chain
from cleanchain.compare.chain_data import chain_as_data, read_ledger
from cleanchain.errors import FitError, InputError

RATE_HZ = 16_000


def parts() -> tuple[np.ndarray, np.ndarray]:
    """Plucked notes after five seconds of rest, and hum with hiss."""
    rng = np.random.default_rng(3)
    t = np.arange(11 * RATE_HZ) / RATE_HZ
    music = np.zeros(t.size)
    for k in range(8):
        since = t - 5 - 0.7 * k
        music += np.where(
            since > 0, 0.3 * np.exp(-3 * since.clip(0)) * (1 - np.exp(-since.clip(0) / 0.02)), 0
        ) * np.sin(2 * np.pi * (220 + 55 * k) * since)
    noise = 0.03 * np.cos(2 * np.pi * 50 * t) + 0.001 * rng.standard_normal(t.size)
    return music, noise


def test_what_a_chain_took_is_exact_at_equal_level_of_the_signal() -> None:
    music, noise = parts()
    before = Capture(music + noise, RATE_HZ)
    after = Capture(2 * (music + 0.25 * noise), RATE_HZ)
    result = compare_chain(before, after)
    assert result.gain_db == pytest.approx(6.02, abs=0.05)
    assert result.noise_db == pytest.approx(-12.04, abs=0.1)
    assert result.hum is not None
    assert result.hum.difference_db == pytest.approx(-12.04, abs=0.2)
    assert result.hiss_db == pytest.approx(-12.04, abs=0.2)
    data = chain_as_data(result, "told")
    fifty = next(row for row in data["bands"] if abs(row["centre_hz"] - 50) < 1)
    assert fifty["difference_db"] == pytest.approx(-12.04, abs=0.2)
    # Three quarters of the hum's amplitude were removed.
    removed_dbfs = 20 * np.log10(0.75 * 0.03)
    assert fifty["removed_dbfs"] == pytest.approx(removed_dbfs, abs=0.1)
    assert "noise in the pauses -12.0 dB" in data["verdict"]


def test_nothing_done_is_no_difference() -> None:
    music, noise = parts()
    take = Capture(music + noise, RATE_HZ)
    data = chain_as_data(compare_chain(take, take), "told")
    assert data["verdict"] == "no difference found"
    assert not any(row["differs"] for row in data["bands"])


def test_other_lengths_and_other_json_are_refused() -> None:
    music, _noise = parts()
    with pytest.raises(FitError, match="a chain keeps both"):
        compare_chain(Capture(music, RATE_HZ), Capture(music[:-1], RATE_HZ))
    with pytest.raises(InputError, match="no ledger"):
        read_ledger({"schema": "other"}, "x.json")
