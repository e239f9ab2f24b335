"""How many threads the work on one take may use: two, or one where takes keep the cores busy."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from types import TracebackType
from typing import Any

_alone = False
_taken = 0


def stay_in_one_thread() -> None:
    """Let all later work of this process stay in the thread that asks for it.

    A process that shares its cores with others of its kind gains nothing from a second thread,
    and pays for handing the work over. What comes out is the same, bit by bit.
    """
    global _alone
    _alone = True


def alone() -> bool:
    """Return whether this process was told to stay in one thread."""
    return _alone


@contextmanager
def core_taken() -> Iterator[None]:
    """Leave a core to another process of ours for as long as it works."""
    global _taken
    _taken += 1
    try:
        yield
    finally:
        _taken -= 1


def steps_ahead() -> int:
    """Return how many steps of a long work may be done at a time by helpers.

    Three threads on two cores would do worse than two: the one that has Python's lock may be
    waiting for a core.
    """
    return 0 if _alone else 1 if _taken else 2


def helpers(count: int) -> Executor:
    """Return a pool of so many threads, or one that does the work where it is handed over.

    The latter where no thread is asked for and where this process stays in one. What is handed
    over must not wait for anything that is done after it.
    """
    return _Here() if _alone or not count else _Pool(count)


class _Pool(ThreadPoolExecutor):
    """Waits for its threads, but not when Ctrl-C is about to end the process."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        stopped = kind is KeyboardInterrupt
        self.shutdown(wait=not stopped, cancel_futures=stopped)


class _Here(Executor):
    """Does the work while it is being submitted."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        done: Future[Any] = Future()
        try:
            done.set_result(fn(*args, **kwargs))
        except BaseException as error:
            done.set_exception(error)
        return done

    def map(
        self,
        fn: Callable[..., Any],
        *iterables: Iterable[Any],
        timeout: float | None = None,
        chunksize: int = 1,
    ) -> Any:
        return map(fn, *iterables)
