"""The depth that tune chooses, by costs that are given instead of rehearsed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from cleanchain import cost_limit
from cleanchain.chain import Chain
from cleanchain.ledger import Entry, Ledger
from cleanchain.presets import tuning
from cleanchain.presets.floor import Floor
from cleanchain.stages.base import Stage
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from tests.presets.builds import take_of

Cost = Callable[[float], float | None]


def tried(monkeypatch: pytest.MonkeyPatch, cost: Cost) -> list[float]:
    """Let gates cost what a function of their depth says; return the list of depths tried."""
    depths: list[float] = []

    def rehearse(chain: Chain, *_: Any) -> Ledger:
        gate = chain.stages[-1]
        assert isinstance(gate, Gate)
        depths.append(gate.depth_db)
        cost_db = cost(gate.depth_db)
        why = {} if cost_db is not None else {"cost_db": "nothing stands out"}
        entry = Entry(1.0, 1.0, 1.0, 0.0, -40.0, cost_db, "tails, 1 kHz octave", 1.0, "trial", why)
        return Ledger((entry,) * len(chain.stages), entry)

    monkeypatch.setattr(cost_limit, "rehearse", rehearse)
    return depths


def depth(floor: Floor, before: Sequence[Stage] = (HighPass(),)) -> tuple[float, str]:
    return tuning._depth(take_of(1), floor, list(before), 1.0)


@pytest.mark.parametrize("slope", [0.05, 0.1, 0.21, 0.5, 0.9])
def test_tune_finds_the_depth_that_max_cost_finds(
    monkeypatch: pytest.MonkeyPatch, floor: Floor, slope: float
) -> None:
    tried(monkeypatch, lambda deep_db: slope * deep_db)
    found_db, why = depth(floor)
    assert found_db == pytest.approx(min(12.0, 1.0 / slope), abs=cost_limit.STEP_DB)
    assert slope * found_db <= 1.0
    gate = cost_limit.within_cost(take_of(1), floor.silence, [Gate(max_cost_db=1.0)])[0]
    assert isinstance(gate, Gate)
    assert gate.depth_db == found_db
    assert ("at 12 dB it costs" in why) == (found_db < 12.0)


def test_a_cost_that_cannot_be_told_leaves_the_usual_depth(
    monkeypatch: pytest.MonkeyPatch, floor: Floor
) -> None:
    depths = tried(monkeypatch, lambda _: None)
    assert depth(floor)[0] == 12.0
    assert "cannot be told from the take (nothing stands out)" in depth(floor)[1]
    assert depths == [12.0, 12.0]


def test_the_least_is_taken_and_told_where_every_depth_is_too_dear(
    monkeypatch: pytest.MonkeyPatch, floor: Floor
) -> None:
    tried(monkeypatch, lambda _: 5.0)
    found_db, why = depth(floor)
    assert found_db == cost_limit.LEAST_DEPTH_DB
    assert "even so it costs 5.0 dB" in why


def test_without_a_take_nothing_is_tried(monkeypatch: pytest.MonkeyPatch, floor: Floor) -> None:
    depths = tried(monkeypatch, lambda _: 5.0)
    assert tuning._depth(None, floor, [], 1.0)[0] == Gate().depth_db
    assert not depths
