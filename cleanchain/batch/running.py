"""A whole batch: what is there already, the common gain, then every take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cleanchain.batch.common_gain import common_gain_db, with_common_gain, without_loudness
from cleanchain.batch.engine import run_all
from cleanchain.batch.journal import Journal, hash_of
from cleanchain.batch.recipe import Job, Outcome, Recipe
from cleanchain.batch.work import clean_one, loudness_of
from cleanchain.errors import PathError
from cleanchain.stages.fixed_gain import FixedGain


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
) -> tuple[list[Outcome], Recipe]:
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

    Returns
    -------
    outcomes : list of Outcome
        One a job, in no order.
    recipe : Recipe
        With the common gain, if there is one.
    """
    journal = Journal(jobs[0].out.parent)
    if way.common_gain:
        recipe = _with_common_gain(jobs, recipe, way, journal, measured, stopped)
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
    return outcomes, recipe


def gain_of(recipe: Recipe) -> float | None:
    """Return the common gain of a recipe, dB; None where each take has its own."""
    last = recipe.stages[-1]
    return last.gain_db if isinstance(last, FixedGain) else None


def _with_common_gain(
    jobs: Sequence[Job],
    recipe: Recipe,
    way: Way,
    journal: Journal,
    measured: Callable[[str], None],
    stopped: Callable[[], bool],
) -> Recipe:
    before, loudness = without_loudness(recipe.stages)
    bare = replace(recipe, stages=before)
    known = journal.loudness(list(jobs), bare.key) if way.resume else {}
    left = [job for job in jobs if str(job.take) not in known]
    for job, found in run_all(loudness_of, left, bare, way.count, way.cluster, stopped):
        seconds, lufs, peak = known[str(job.take)] = found or (0.0, None, None)
        line = {"measured": str(job.take), "key": bare.key, "take_hash": hash_of(job.take)}
        journal.add({**line, "seconds": seconds, "lufs": lufs, "peak_dbtp": peak})
        measured(str(job.take))
    gain_db = common_gain_db((known[str(job.take)] for job in jobs), loudness)
    return replace(recipe, stages=with_common_gain(before, gain_db))
