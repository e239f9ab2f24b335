"""The deepest gate within a cost."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.chain import Chain
from cleanchain.cost_limit import STEP_DB, within_cost
from cleanchain.errors import LimitError, SettingError
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.trial import rehearse

RATE_HZ = 16_000


@pytest.fixture(scope="module")
def recording() -> tuple[Capture, Capture]:
    """Plucked notes that fade into a loud hiss, and that hiss."""
    rng = np.random.default_rng(4)
    seconds = np.arange(6 * RATE_HZ) / RATE_HZ
    wave = np.zeros_like(seconds)
    for start, hz in ((0.5, 220.0), (1.6, 330.0), (2.7, 262.0), (3.9, 392.0)):
        since = np.maximum(seconds - start, 0.0)
        note = sum(np.sin(2 * np.pi * k * hz * since) / k for k in range(1, 12))
        wave += 0.1 * note * np.exp(-3 * since) * (seconds >= start)
    take = wave + 0.01 * rng.standard_normal(wave.size)
    return Capture(take, RATE_HZ), Capture(0.01 * rng.standard_normal(4 * RATE_HZ), RATE_HZ)


def cost(recording: tuple[Capture, Capture], depth_db: float) -> float:
    entry = rehearse(Chain([HighPass(), Gate(depth_db)]), *recording).stages[-1]
    assert entry.cost_db is not None
    return entry.cost_db


def test_the_deepest_gate_within_the_limit_is_found(recording: tuple[Capture, Capture]) -> None:
    limit = (cost(recording, 1.0) + cost(recording, 40.0)) / 2
    stages = within_cost(*recording, [HighPass(), Gate(40.0, max_cost_db=limit)])
    gate = stages[1]
    assert isinstance(gate, Gate)
    assert cost(recording, gate.depth_db) <= limit
    assert cost(recording, gate.depth_db + 2 * STEP_DB) > limit
    # Found once, it is found again at once.
    assert within_cost(*recording, stages) == stages


def test_a_generous_limit_leaves_the_depth(recording: tuple[Capture, Capture]) -> None:
    gate = Gate(6.0, max_cost_db=20.0)
    assert within_cost(*recording, [gate]) == [gate]


def test_a_limit_that_no_depth_meets_is_refused(recording: tuple[Capture, Capture]) -> None:
    with pytest.raises(LimitError, match="even a gate of 1 dB costs"):
        within_cost(*recording, [Gate(20.0, max_cost_db=1e-3)])


def test_limits_out_of_range_are_refused() -> None:
    with pytest.raises(SettingError):
        Gate(max_cost_db=0.0)
