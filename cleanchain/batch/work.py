"""The work on one take, as it is done in a process of its own."""

from __future__ import annotations

import contextlib
import signal
import threading
import traceback
from collections.abc import Callable
from typing import TypeVar

from cleanchain.audio.files import open_source
from cleanchain.audio.hashing import hash_samples
from cleanchain.audio.writing import check_output, write_source
from cleanchain.batch.recipe import Job, Outcome, Recipe
from cleanchain.chain import Chain
from cleanchain.cleaning import clean
from cleanchain.errors import CleanchainError, FitError
from cleanchain.measure.loudness import measure_loudness
from cleanchain.presets.applying import fit_of, refuse_misfit, silence_of
from cleanchain.silences import choose_silence

T = TypeVar("T")


def in_worker(work: Callable[..., T], *given: object) -> T:
    """Do some work in a process that leaves Ctrl-C to its parent."""
    if threading.current_thread() is threading.main_thread():
        with contextlib.suppress(ValueError):
            signal.signal(signal.SIGINT, signal.SIG_IGN)
    return work(*given)


def clean_one(job: Job, recipe: Recipe) -> Outcome:
    """Clean one take; whatever goes wrong is an outcome, not an error."""
    names = (str(job.take), str(job.out))
    try:
        return _clean(job, recipe)
    except FitError as error:
        return Outcome(*names, "refused", str(error))
    except CleanchainError as error:
        return Outcome(*names, "failed", str(error))
    except Exception as error:  # one bad file stops nothing
        last = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{last.filename.rsplit('/', 1)[-1]}:{last.lineno}"
        return Outcome(*names, "failed", f"{type(error).__name__}: {error} ({place})")


def _clean(job: Job, recipe: Recipe) -> Outcome:
    take = open_source(job.take)
    check_output(job.out, take, overwrite=recipe.overwrite)
    warnings = []
    fit = fit_of(recipe.stored, take, recipe.levels)
    if fit is not None:
        if not recipe.anyway:
            refuse_misfit(fit, recipe.stored, take.name)
        warnings = [finding.words for finding in fit.findings if finding.verdict != "fits"]
    silence = silence_of(recipe.stored) or choose_silence(take)
    result = clean(take, silence, recipe.stages)
    written = write_source(
        job.out,
        result.plan.output,
        take,
        overwrite=recipe.overwrite,
        exact=result.plan.is_identity,
    )
    total = result.ledger.total
    return Outcome(
        str(job.take),
        str(job.out),
        "done",
        take_hash=hash_samples(take),
        out_hash=written,
        key=recipe.key,
        noise_removed_db=total.noise_removed_db,
        cost_db=total.cost_db,
        cost_where=total.cost_where,
        warnings=tuple(warnings),
    )


def loudness_of(job: Job, recipe: Recipe) -> tuple[float, float | None, float | None]:
    """Return seconds, loudness (LUFS) and true peak (dBTP) of a take as cleaned.

    None where it cannot be read, does not fit, or holds nothing loud enough.
    """
    nothing = (0.0, None, None)
    try:
        take = open_source(job.take)
        fit = None if recipe.anyway else fit_of(recipe.stored, take, recipe.levels)
        if fit is not None and fit.verdict == "refused":
            return nothing
        silence = silence_of(recipe.stored) or choose_silence(take)
        found = measure_loudness(Chain(recipe.stages).plan(take, silence.source).output)
    except Exception:  # the cleaning itself will tell what is wrong with it
        return nothing
    return take.frames / take.rate_hz, found.integrated_lufs, found.true_peak_dbtp
