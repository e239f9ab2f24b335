"""The deepest gate whose cost to the instrument stays within a limit, by the ledger's trial."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from cleanchain.audio.source import Source
from cleanchain.chain import Chain
from cleanchain.errors import LimitError
from cleanchain.ledger import Entry
from cleanchain.stages.base import Stage
from cleanchain.stages.gate import Gate
from cleanchain.trial import rehearse

#: Shallowest gate that is tried, and how finely the depth is searched, dB.
LEAST_DEPTH_DB, STEP_DB = 1.0, 0.5


@dataclass(frozen=True)
class Depth:
    """A depth that was found.

    Parameters
    ----------
    depth_db : float
        How deep.
    entry : Entry
        What the ledger says of a gate of this depth.
    wished : Entry or None
        What it says of the depth that was asked for, where that one costs too much.
    """

    depth_db: float
    entry: Entry
    wished: Entry | None = None

    @property
    def cost_db(self) -> float | None:
        """Its cost; None where it cannot be told."""
        return self.entry.cost_db


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
    found = search_depth(take, silence, before, gate)
    if found.cost_db is None:
        why = found.entry.reasons.get("cost_db", "no basis")
        raise LimitError(
            f"the cost of the gate cannot be told ({why})",
            where=take.name,
            fix="Leave --max-cost out and give a --depth.",
        )
    limit = gate.max_cost_db or 0.0
    if found.cost_db > limit:
        raise LimitError(
            f"even a gate of {found.depth_db:g} dB costs {found.cost_db:.2f} dB, more than "
            f"{limit:g} dB",
            where=take.name,
            fix="Allow more with --max-cost, or leave the gate out.",
        )
    return found.depth_db


def search_depth(
    take: Source, silence: Source | None, before: Sequence[Stage], gate: Gate
) -> Depth:
    """Find the depth by halving: the deeper a gate, the more it costs.

    Parameters
    ----------
    take, silence : Source
        What is to be cleaned, and the build recorded without playing.
    before : sequence of Stage
        What works before the gate.
    gate : Gate
        Its ``max_cost_db`` is the limit, its ``depth_db`` the deepest that is tried.

    Returns
    -------
    Depth
        The deepest within the limit, or the shallowest that is tried where none is; the depth as
        it is given where its cost cannot be told.
    """
    limit = gate.max_cost_db or 0.0

    def tried(depth_db: float) -> Depth:
        chain = Chain([*before, replace(gate, depth_db=depth_db)])
        return Depth(depth_db, rehearse(chain, take, silence).stages[-1])

    def too_dear(depth: Depth) -> bool:
        return depth.cost_db is not None and depth.cost_db > limit

    wished = tried(gate.depth_db)
    if not too_dear(wished):
        return wished
    best = tried(min(LEAST_DEPTH_DB, gate.depth_db))
    high_db = gate.depth_db
    while not too_dear(best) and high_db - best.depth_db > STEP_DB:
        middle = tried(round((best.depth_db + high_db) / 2, 2))
        if too_dear(middle):
            high_db = middle.depth_db
        else:
            best = middle
    return replace(best, wished=wished.entry)
