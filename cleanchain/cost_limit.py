"""The deepest gate whose cost to the instrument stays within a limit, by the ledger's trial."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from cleanchain.audio.source import Source
from cleanchain.chain import Chain
from cleanchain.errors import LimitError
from cleanchain.stages.base import Stage
from cleanchain.stages.gate import Gate
from cleanchain.trial import rehearse

#: Shallowest gate that is tried, and how finely the depth is searched, dB.
LEAST_DEPTH_DB, STEP_DB = 1.0, 0.5


def within_cost(take: Source, silence: Source | None, stages: Sequence[Stage]) -> list[Stage]:
    """Return the stages with the depth of each limited gate found.

    Parameters
    ----------
    take, silence : Source
        What is to be cleaned, and the build recorded without playing.
    stages : sequence of Stage
        In the order in which they work; gates without a ``max_cost_db`` stay as they are.

    Raises
    ------
    LimitError
        If the cost is too high at any depth, or cannot be told.
    """
    found: list[Stage] = []
    for stage in stages:
        if isinstance(stage, Gate) and stage.max_cost_db is not None and stage.depth_db:
            stage = replace(stage, depth_db=_deepest(take, silence, found, stage))
        found.append(stage)
    return found


def _deepest(take: Source, silence: Source | None, before: list[Stage], gate: Gate) -> float:
    """Find the depth by halving: the deeper a gate, the more it costs."""
    limit = gate.max_cost_db or 0.0

    def cost_at(depth_db: float) -> float:
        chain = Chain([*before, replace(gate, depth_db=depth_db)])
        entry = rehearse(chain, take, silence).stages[-1]
        if entry.cost_db is None:
            raise LimitError(
                f"the cost of the gate cannot be told ({entry.reasons.get('cost_db', 'no basis')})",
                where=take.name,
                fix="Leave --max-cost out and give a --depth.",
            )
        return entry.cost_db

    if cost_at(gate.depth_db) <= limit:
        return gate.depth_db
    low, high = min(LEAST_DEPTH_DB, gate.depth_db), gate.depth_db
    least = cost_at(low)
    if least > limit:
        raise LimitError(
            f"even a gate of {low:g} dB costs {least:.2f} dB, more than {limit:g} dB",
            where=take.name,
            fix="Allow more with --max-cost, or leave the gate out.",
        )
    while high - low > STEP_DB:
        middle = round((low + high) / 2, 2)
        if cost_at(middle) <= limit:
            low = middle
        else:
            high = middle
    return low
