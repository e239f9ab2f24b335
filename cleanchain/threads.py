"""How many threads the work on one take may use: two, or one where takes keep the cores busy."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")

_alone = False


def stay_in_one_thread() -> None:
    """Let all later work of this process stay in the thread that asks for it.

    A process that shares its cores with others of its kind gains nothing from a second thread,
    and pays for handing the work over. What comes out is the same, bit by bit.
    """
    global _alone
    _alone = True


def helpers(count: int) -> Executor:
    """Return a pool of so many threads, or one that does the work where it is handed over.

    What is handed over must not wait for anything that is done after it.
    """
    return _Here() if _alone else ThreadPoolExecutor(count)


def share_out(work: Callable[[T], R], pieces: Iterable[T]) -> list[R]:
    """Do a piece of work for each of some pieces on both cores; results in order.

    It pays where the work is numpy's, which lets go of the interpreter's lock meanwhile. A single
    piece is done here.
    """
    pieces = list(pieces)
    if len(pieces) < 2:
        return [work(piece) for piece in pieces]
    with helpers(2) as pool:
        return list(pool.map(work, pieces))


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
