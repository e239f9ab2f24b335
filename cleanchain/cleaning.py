"""One take, one silence, one chain: the plan, the ledger, and both as plain data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from cleanchain.apart import make_ready
from cleanchain.audio.difference import Difference
from cleanchain.audio.source import Source
from cleanchain.chain import Chain, ChainPlan
from cleanchain.cost_limit import within_cost
from cleanchain.errors import InputError
from cleanchain.ledger import Ledger
from cleanchain.silences import HOW_TO_RECORD, Silence
from cleanchain.stages.base import Stage
from cleanchain.stages.gate import Gate
from cleanchain.threads import helpers
from cleanchain.trial import may_be_apart, nothing_done, rehearse

#: Version of the plain data that `Cleaning.as_data` gives.
SCHEMA = "cleanchain/clean/1"


@dataclass(frozen=True)
class Cleaning:
    """A planned take with its ledger.

    Parameters
    ----------
    take : Source
        What was to be cleaned.
    silence : Silence
        What the stages learned the noise from.
    plan : ChainPlan
        What every stage decided.
    ledger : Ledger
        What every stage removed and cost.
    """

    take: Source
    silence: Silence
    plan: ChainPlan
    ledger: Ledger

    def as_data(self, take: str, out: str | None) -> dict[str, Any]:
        """Return settings, findings and ledger as plain data.

        Parameters
        ----------
        take, out : str
            Names of the files; `out` is None where nothing is written.
        """
        total = self.ledger.total.numbers()
        if self.silence.source is None:
            total["reasons"] = {**total["reasons"], "silence": self.silence.reason}
        return {
            "schema": SCHEMA,
            "take": take,
            "silence": self.silence.as_data(),
            "out": out,
            "stages": [
                {
                    "stage": plan.stage.name,
                    "settings": plan.stage.settings(),
                    "findings": dict(plan.findings),
                    **_with_reasons(entry.numbers(), dict(plan.reasons)),
                }
                for plan, entry in zip(self.plan.plans, self.ledger.stages, strict=True)
            ],
            "total": total,
        }

    def sources(self) -> dict[str, Source]:
        """Return what a picture of the cleaning shows, all before the loudness gain."""
        after = self.plan.before_gain
        shown: dict[str, Source] = {"before": self.take, "after": after}
        if after is not self.take:
            shown["removed"] = Difference(self.take, after, "removed")
        if self.silence.source is not None:
            shown["noise floor"] = self.silence.source
        return shown


def _with_reasons(numbers: dict[str, Any], more: dict[str, str]) -> dict[str, Any]:
    return {**numbers, "reasons": {**numbers["reasons"], **more}}


def get_ready(take: Source) -> None:
    """Start what the cleaning of a file will want while somebody looks at the file."""
    if may_be_apart(take):
        make_ready(rehearse.__module__)


def clean(
    take: Source,
    silence: Silence,
    stages: Sequence[Stage],
    look: Callable[[Sequence[Stage]], Sequence[Stage]] = list,
) -> Cleaning:
    """Plan a chain for a take and write its ledger; nothing is written to disk.

    Parameters
    ----------
    take : Source
        What is to be cleaned.
    silence : Silence
        See `cleanchain.silences.choose_silence`.
    stages : sequence of Stage
        In the order in which they work.
    look : callable, optional
        Looks at the take while the ledger is being begun, and returns the stages with any ceiling
        of the loudness that follows from it: the ledger is the same for all.

    Raises
    ------
    InputError
        If a gate has no silence to learn from.
    LimitError
        If no depth of a gate keeps to its largest cost.
    """
    if silence.source is None and any(
        isinstance(stage, Gate) and stage.depth_db for stage in stages
    ):
        raise InputError(
            f"the gate has no silence to learn the hiss from ({silence.reason})",
            where=take.name,
            fix=HOW_TO_RECORD + " Or name stages without a gate: high-pass hum loudness.",
        )
    within = within_cost(take, silence.source, stages)
    # The trial plans for itself, so that both can work at once.
    with helpers(1) as pool:
        ledger = pool.submit(rehearse, Chain(within), take, silence.source, beside=True)
        plan = Chain(look(within)).plan(take, silence.source)
        if plan.is_identity:
            return Cleaning(take, silence, plan, nothing_done(plan, silence.source))
        plan.output.read(take.frames, take.frames)  # all of it is worked out meanwhile
        return Cleaning(take, silence, plan, ledger.result())
