"""Work on many takes, one process a take, here or on a cluster; a dead process costs one take."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Any, TypeVar

from cleanchain.batch.recipe import Job, Recipe
from cleanchain.batch.work import begin_worker
from cleanchain.errors import CleanchainError, InputError, SettingError
from cleanchain.threads import stay_in_one_thread

T = TypeVar("T")
Work = Callable[[Job, Recipe], T]


def run_all(
    work: Work[T],
    jobs: Sequence[Job],
    recipe: Recipe,
    count: int,
    cluster: str | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Iterator[tuple[Job, T | None]]:
    """Do some work on every job, in whatever order it is finished.

    Parameters
    ----------
    work : callable
        Given a job and the recipe; it raises nothing.
    jobs : sequence of Job
        What is to be done.
    recipe : Recipe
        Sent along with each.
    count : int
        How many at once on this machine.
    cluster : str, optional
        Address of a dask scheduler whose workers do the work instead.
    stopped : callable, optional
        Tells whether somebody ended the processes on purpose: then nothing is tried again.

    Yields
    ------
    (Job, result or None)
        None where the process died of it, twice.

    Raises
    ------
    KeyboardInterrupt
        If it was stopped.
    """
    if cluster is not None:
        try:
            yield from _stream(work, jobs, recipe, count, cluster)
        except CleanchainError:
            raise
        except Exception as error:  # whatever the cluster's library raises
            raise InputError(
                f"the cluster gave up ({type(error).__name__}: {error})",
                where=cluster,
                fix="What is done is kept; go on with --resume, there or on this machine.",
            ) from None
        return
    from joblib.externals.loky.process_executor import BrokenProcessPool

    left = list(jobs)
    while left:
        if stopped():
            raise KeyboardInterrupt
        try:
            for job, result in _stream(work, left, recipe, count):
                left.remove(job)
                yield job, result
        except BrokenProcessPool:
            # One of those that were under way did it; they are tried one by one.
            for job in left[: 3 * count]:
                if stopped():
                    raise KeyboardInterrupt from None
                left.remove(job)
                yield job, _alone(work, job, recipe)


def _alone(work: Work[T], job: Job, recipe: Recipe) -> T | None:
    from joblib.externals.loky.process_executor import BrokenProcessPool

    try:
        # To its end: a stream that is given up in the middle takes its processes along.
        [(_, result)] = _stream(work, [job], recipe, 1)
        return result
    except BrokenProcessPool:
        return None


def _stream(
    work: Work[T], jobs: Sequence[Job], recipe: Recipe, count: int, cluster: str | None = None
) -> Iterator[tuple[Job, T]]:
    """Yield results as they come; on Ctrl-C all processes are ended at once."""
    from joblib import Parallel, delayed

    # With one job a second process stands ready but gets nothing while the first one works: the
    # work is always done outside this process, which so survives whatever a file does.
    ahead: Any = 1 if count == 1 else "2*n_jobs"
    # A process that has grown is replaced by a new one; that is nothing to tell.
    warnings.filterwarnings("ignore", message="A worker stopped", category=UserWarning)
    _keep_interrupts_from_processes()
    # What a process of this machine begins with; the workers of a cluster have their own ways.
    begin: dict[str, Any] = {"initializer": begin_worker, "initargs": (os.getpid(),)}
    with _on(cluster, recipe):
        pool = Parallel(
            n_jobs=-1 if cluster else max(count, 2),
            return_as="generator_unordered",
            batch_size=1,
            pre_dispatch="all" if cluster else ahead,
            **({} if cluster else begin),
        )
        results = pool(delayed(_named)(work, job, recipe) for job in jobs)
        try:
            yield from results
        except (KeyboardInterrupt, GeneratorExit):
            if cluster is None:
                end_processes()
            raise


def _named(work: Work[T], job: Job, recipe: Recipe) -> tuple[Job, T]:
    stay_in_one_thread()  # the workers of a cluster stand side by side as well
    return job, work(job, recipe)


def _keep_interrupts_from_processes() -> None:
    """Start processes that do not hear Ctrl-C from their first moment on.

    What a thread has blocked, its processes are born with. The main thread blocks nothing: it is
    the one that is to hear the key, and its processes learn to ignore it when they begin.
    """
    if threading.current_thread() is threading.main_thread():
        return
    from multiprocessing import resource_tracker

    from joblib.externals.loky.backend import resource_tracker as other_tracker

    # Their start unblocks it again, so they are started before. What is left when this process is
    # ended at once they remove; that is nothing to tell.
    words = os.environ.get("PYTHONWARNINGS")
    os.environ["PYTHONWARNINGS"] = "ignore"
    try:
        resource_tracker.ensure_running()
        other_tracker.ensure_running()
    finally:
        if words is None:
            del os.environ["PYTHONWARNINGS"]
        else:
            os.environ["PYTHONWARNINGS"] = words
    with contextlib.suppress(AttributeError):  # systems without it
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})


def end_processes() -> None:
    """End the processes of this machine that work on takes, without waiting for them."""
    import multiprocessing

    for process in multiprocessing.active_children():
        if type(process).__name__.startswith("Loky"):
            with contextlib.suppress(OSError):
                process.terminate()


def _on(cluster: str | None, recipe: Recipe) -> AbstractContextManager[Any]:
    from joblib import parallel_config

    if cluster is None:
        here: AbstractContextManager[Any] = parallel_config(backend="loky", inner_max_num_threads=1)
        return here
    try:
        import distributed
    except ImportError:
        raise SettingError(
            "a cluster needs the library dask.distributed",
            fix="Install it: pip install 'cleanchain[cluster]'.",
        ) from None
    try:
        make: Any = distributed.Client
        client = make(cluster, timeout="10s", set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(
            f"no scheduler answers ({error})", where=cluster, fix="Start one: dask scheduler."
        ) from None
    there: AbstractContextManager[Any] = parallel_config(
        backend="dask", client=client, scatter=[recipe]
    )
    return there


def cores() -> int:
    """Return how many processes this machine runs at once."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
