"""The ledger of known parts, and its words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cleanchain.account import Parts, account, untouched
from cleanchain.audio.capture import Capture
from cleanchain.chain import Chain
from cleanchain.draws import averaged
from cleanchain.report.ledger_words import explain, in_words, warning
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.loudness import Loudness

RATE_HZ = 24_000


def mains(seconds: np.ndarray) -> np.ndarray:
    return sum(0.02 / h * np.sin(2 * np.pi * 50 * h * seconds + h) for h in (1, 3, 5, 7))


def parts(hiss_level: float = 0.01, seed: int = 0) -> Parts:
    """Six seconds of decaying notes, hum and hiss."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(6 * RATE_HZ) / RATE_HZ
    signal = np.zeros(seconds.size)
    for k, hz in enumerate((220.0, 330.0, 440.0, 294.0) * 2):
        after = np.maximum(seconds - 0.2 - 0.6 * k, 0)
        note = sum(np.sin(2 * np.pi * hz * h * after) / h**2 for h in range(1, 8))
        signal += 0.2 * note * np.exp(-4 * after) * (after > 0)
    hum = mains(seconds)
    hiss = hiss_level * rng.standard_normal(seconds.size)
    return Parts(*(Capture(one, RATE_HZ) for one in (signal, hum, hiss)))


def silence(hiss_level: float = 0.01) -> Capture:
    seconds = np.arange(6 * RATE_HZ) / RATE_HZ + 6.0
    hiss = hiss_level * np.random.default_rng(9).standard_normal(seconds.size)
    return Capture(mains(seconds) + hiss, RATE_HZ)


def test_the_parts_come_out_as_their_sum_does() -> None:
    known = parts()
    plan = Chain([HighPass(), Gate(depth_db=30.0)]).plan(known.mixture, silence())
    lanes = (known.mixture, known.signal, known.hum, known.hiss)
    blocks = list(plan.run(*lanes))
    whole, signal, hum, hiss = np.concatenate(blocks, axis=-1)
    assert np.abs(whole - signal - hum - hiss).max() < 1e-9


def test_a_filter_costs_what_its_response_says() -> None:
    seconds = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = Capture(np.sin(2 * np.pi * 60 * seconds), RATE_HZ)
    hiss = Capture(1e-3 * np.random.default_rng(1).standard_normal(seconds.size), RATE_HZ)
    nothing = Capture(np.zeros(seconds.size), RATE_HZ)
    known = Parts(tone, nothing, hiss)
    plan = Chain([HighPass(corner_hz=60.0)]).plan(known.mixture)
    total = account(plan, known, "known").total
    assert total.signal_lost_db == pytest.approx(3.01, abs=0.02)
    assert total.hum_removed_db is None
    assert "hum" in total.reasons["hum_removed_db"]


def test_a_gain_and_an_identity_cost_nothing() -> None:
    known = parts()
    plan = Chain([Gate(depth_db=0.0), Loudness()]).plan(known.mixture, silence())
    for entry in account(plan, known, "known").stages:
        assert entry.signal_error_db == -120.0
        assert entry.noise_removed_db == entry.cost_db == entry.signal_lost_db == 0.0
    assert untouched(2, "trial").total.signal_error_db == -120.0


def test_cost_grows_and_noise_falls_with_depth() -> None:
    known = parts()
    rows = []
    for depth_db in (6.0, 20.0, 60.0):
        plan = Chain([Gate(depth_db=depth_db)]).plan(known.mixture, silence())
        rows.append(account(plan, known, "known").total)
    assert rows[0].noise_removed_db < rows[1].noise_removed_db
    assert rows[0].signal_error_db < rows[1].signal_error_db < rows[2].signal_error_db


def test_words_warning_and_explanation() -> None:
    known = parts()
    plan = Chain([Gate(depth_db=20.0)]).plan(known.mixture, silence())
    entry = account(plan, known, "known").stages[0]
    line = in_words("gate", entry)
    assert line.startswith("gate ")
    assert "down" in line
    dear = replace(entry, noise_removed_db=1.0, cost_db=4.0, cost_where="tails, 4 kHz octave")
    assert "costs more than it gives" in str(warning("gate", dear))
    assert warning("gate", replace(dear, noise_removed_db=12.0)) is None
    assert "mostly in tails, 4 kHz octave" in in_words("gate", dear)
    told = explain(replace(entry, musical_noise=None, reasons={"musical_noise": "too little"}))
    assert any("not known: too little" in one for one in told)


def test_averaged_draws_carry_intervals_around_their_mean() -> None:
    rows = []
    for seed in (0, 1):
        known = parts(seed=seed)
        plan = Chain([Gate()]).plan(known.mixture, silence())
        rows.append(account(plan, known, "trial"))
    both = averaged(rows, ["gate"])
    low, high = both.total.intervals["noise_removed_db"]
    assert low < both.total.noise_removed_db < high
    assert both.total.noise_removed_db == pytest.approx(
        (rows[0].total.noise_removed_db + rows[1].total.noise_removed_db) / 2
    )
