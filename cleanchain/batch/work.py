"""The work on one take, as it is done in a process of its own."""

from __future__ import annotations

import os
import signal
import threading
import time
import traceback

from cleanchain.audio.files import open_source
from cleanchain.audio.hashing import hash_samples
from cleanchain.audio.writing import check_output, write_source
from cleanchain.batch.common_gain import NOTHING, Heard, hear, without_loudness
from cleanchain.batch.recipe import Job, Outcome, Recipe
from cleanchain.chain import Chain
from cleanchain.cleaning import clean
from cleanchain.errors import CleanchainError, FitError
from cleanchain.presets.applying import fit_of, refuse_misfit, silence_of
from cleanchain.silences import choose_silence
from cleanchain.threads import stay_in_one_thread

#: How often a process looks whether its parent is still there, s.
_LOOK_S = 0.2


def begin_worker(master: int) -> None:
    """Make a process of this machine one that serves another: before its first take, or any.

    It works on one core, leaves Ctrl-C to its master, and ends soon after it, which may have been
    killed.

    Parameters
    ----------
    master : int
        Number of the process that started this one.
    """
    stay_in_one_thread()
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)

    def watch() -> None:
        while os.getppid() == master:
            time.sleep(_LOOK_S)
        os._exit(1)

    if os.name == "posix":
        threading.Thread(target=watch, daemon=True).start()


def clean_one(job: Job, recipe: Recipe) -> Outcome:
    """Clean one take; whatever goes wrong is an outcome, not an error."""
    names = (str(job.take), str(job.out))
    try:
        return _clean(job, recipe)
    except FitError as error:
        return Outcome(*names, "refused", _told(error, job))
    except CleanchainError as error:
        return Outcome(*names, "failed", _told(error, job))
    except Exception as error:  # one bad file stops nothing
        last = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{last.filename.rsplit('/', 1)[-1]}:{last.lineno}"
        return Outcome(*names, "failed", f"{type(error).__name__}: {error} ({place})")


def _told(error: CleanchainError, job: Job) -> str:
    """Return what is wrong and what to do; the name of the take stands beside it already."""
    if error.where not in (str(job.take), job.take.name):
        return str(error)
    return f"{error.what}\n{error.fix}" if error.fix else error.what


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


def hear_one(job: Job, recipe: Recipe) -> tuple[Heard, str]:
    """Return what a cleaned take contributes to the loudness of all, and the hash of the take.

    It contributes nothing where it cannot be read or does not fit.
    """
    try:
        take = open_source(job.take)
        take_hash = hash_samples(take)
        fit = None if recipe.anyway else fit_of(recipe.stored, take, recipe.levels)
        if fit is not None and fit.verdict == "refused":
            return NOTHING, take_hash
        before, loudness = without_loudness(recipe.stages)
        silence = silence_of(recipe.stored) or choose_silence(take)
        return hear(Chain(before).plan(take, silence.source).output, loudness.mono), take_hash
    except Exception:  # the cleaning itself will tell what is wrong with it
        return NOTHING, ""
