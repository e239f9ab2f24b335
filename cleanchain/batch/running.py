"""A whole batch: what is there already, the common gain, then every take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cleanchain.batch.common_gain import NOTHING, common_gain, with_common_gain, without_loudness
from cleanchain.batch.engine import run_all
from cleanchain.batch.journal import Journal
from cleanchain.batch.recipe import Job, Outcome, Recipe
from cleanchain.batch.work import clean_one, hear_one
from cleanchain.errors import PathError
from cleanchain.stages.loudness import CommonGain, Loudness


@dataclass(frozen=True)
class Way:
    """How a batch is run.

    Parameters
    ----------
    count : int
        Takes at once on this machine.
    cluster : str or None
        Address of a scheduler whose workers do the work instead.
    resume : bool
        Keep what an earlier run has done with the same takes and settings.
    common_gain : bool
        One gain for all takes instead of the loudness of each.
    """

    count: int
    cluster: str | None = None
    resume: bool = False
    common_gain: bool = False


@dataclass(frozen=True)
class Ran:
    """What became of a batch.

    Parameters
    ----------
    outcomes : list of Outcome
        One a job, in no order.
    common : CommonGain or None
        The gain that all takes got, where they got one.
    """

    outcomes: list[Outcome]
    common: CommonGain | None


def plan_jobs(takes: Sequence[Path], folder: Path) -> list[Job]:
    """Give every take its output: the same name in another folder.

    Raises
    ------
    PathError
        If two takes would have one output, or an output would be a take.
    """
    jobs = [Job(take.absolute(), (folder / take.name).absolute()) for take in takes]
    seen: dict[str, Job] = {}
    for job in jobs:
        other = seen.setdefault(str(job.out).casefold(), job)
        if other is not job:
            raise PathError(
                f"and {other.take} would both be written to {job.out}",
                where=str(job.take),
                fix="Name them apart, or clean them into two folders.",
            )
    inputs = {job.take.resolve() for job in jobs}
    for job in jobs:
        if job.out.resolve() in inputs:
            raise PathError(
                "is the folder of the takes; they are never overwritten",
                where=str(folder),
                fix="Give another --out-dir.",
            )
    return jobs


def run_batch(
    jobs: Sequence[Job],
    recipe: Recipe,
    way: Way,
    told: Callable[[Outcome], None],
    measured: Callable[[str], None] = lambda _: None,
    stopped: Callable[[], bool] = lambda: False,
) -> Ran:
    """Clean all takes; every outcome is told and written down as it comes.

    Parameters
    ----------
    jobs : sequence of Job
        See `plan_jobs`.
    recipe : Recipe
        What is done to each.
    way : Way
        How.
    told : callable
        Told each outcome.
    measured : callable, optional
        Told the name of each take whose loudness was measured for the common gain.
    stopped : callable, optional
        See `run_all`.

    Raises
    ------
    KeyboardInterrupt
        If it was stopped; what was told is done.
    """
    journal = Journal(jobs[0].out.parent)
    common = None
    if way.common_gain:
        recipe, common = _with_common_gain(jobs, recipe, way, journal, measured, stopped)
    kept = journal.done(list(jobs), recipe) if way.resume else {}
    outcomes = list(kept.values())
    for outcome in outcomes:
        told(outcome)
    left = [job for job in jobs if job not in kept]
    if way.resume:
        # What stands there and is not what it should be was cut short or made otherwise.
        recipe = replace(recipe, overwrite=True)
    for job, found in run_all(clean_one, left, recipe, way.count, way.cluster, stopped):
        outcome = found or Outcome(
            str(job.take), str(job.out), "failed", "the process that cleaned it died, twice"
        )
        journal.add(outcome.as_data())
        outcomes.append(outcome)
        told(outcome)
    return Ran(outcomes, common)


def _with_common_gain(
    jobs: Sequence[Job],
    recipe: Recipe,
    way: Way,
    journal: Journal,
    measured: Callable[[str], None],
    stopped: Callable[[], bool],
) -> tuple[Recipe, CommonGain | None]:
    before, loudness = without_loudness(recipe.stages)
    # What a take contributes does not depend on the target, only on how a single channel counts.
    asked = replace(recipe, stages=(*before, Loudness(mono=loudness.mono)))
    known = journal.heard(list(jobs), asked.key) if way.resume else {}
    left = [job for job in jobs if str(job.take) not in known]
    for job, found in run_all(hear_one, left, asked, way.count, way.cluster, stopped):
        heard, take_hash = found or (NOTHING, "")
        known[str(job.take)] = heard
        journal.add_heard(job, asked.key, heard, take_hash)
        measured(str(job.take))
    common = common_gain([known[str(job.take)] for job in jobs], loudness)
    gain_db = 0.0 if common is None else round(common.gain_db, 6)
    return replace(recipe, stages=with_common_gain(before, gain_db)), common
