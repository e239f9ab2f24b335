"""What is done to every take of a batch, and what became of one."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

import cleanchain
from cleanchain.measure.floor_seen import BandLevels
from cleanchain.presets.store import Stored
from cleanchain.stages.base import Stage

Status = Literal["failed", "refused", "done", "kept"]
#: The worst first.
STATUSES: tuple[Status, ...] = ("failed", "refused", "done", "kept")


@dataclass(frozen=True)
class Job:
    """One take and where its result goes."""

    take: Path
    out: Path


@dataclass(frozen=True, eq=False)
class Recipe:
    """What is done to every take.

    Parameters
    ----------
    stored : Stored
        The preset, with its floor if it has one.
    stages : tuple of Stage
        The chain; the preset's own, or with others in their place.
    levels : list of BandLevels or None
        Of the preset's floor, measured once for all.
    anyway : bool
        Whether a take that does not fit the passport is cleaned all the same.
    overwrite : bool
        Whether outputs are replaced.
    """

    stored: Stored
    stages: tuple[Stage, ...]
    levels: list[BandLevels] | None = None
    anyway: bool = False
    overwrite: bool = False

    @property
    def key(self) -> str:
        """A hash of all that the output depends on besides the take."""
        passport = self.stored.preset.passport
        told = {
            "version": cleanchain.__version__,
            "floor": None if passport is None else passport.floor_sha256,
            "stages": [[stage.name, stage.settings()] for stage in self.stages],
        }
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:32]


@dataclass(frozen=True)
class Outcome:
    """What became of one take.

    Parameters
    ----------
    take, out : str
        Names of the files.
    status : str
        "done", "kept" (done by an earlier run), "refused" (it does not fit) or "failed".
    words : str
        Why it was refused or failed, or what to listen for.
    take_hash, out_hash : str
        Of the samples.
    key : str
        Of the recipe.
    noise_removed_db, cost_db : float or None
        Of the whole chain; see the ledger.
    cost_where : str or None
        Place of the largest cost.
    """

    take: str
    out: str
    status: Status
    words: str = ""
    take_hash: str = ""
    out_hash: str = ""
    key: str = ""
    noise_removed_db: float | None = None
    cost_db: float | None = None
    cost_where: str | None = None
    warnings: tuple[str, ...] = field(default=())

    @property
    def well(self) -> bool:
        """Whether there is an output."""
        return self.status in ("done", "kept")

    def as_data(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {**asdict(self), "warnings": list(self.warnings)}


def worst_first(outcomes: list[Outcome]) -> list[Outcome]:
    """Sort: failed, refused, then by what the cleaning cost."""
    return sorted(
        outcomes,
        key=lambda one: (
            one.well,
            STATUSES.index(one.status) if not one.well else 0,
            -(one.cost_db or 0.0),
            one.take,
        ),
    )
