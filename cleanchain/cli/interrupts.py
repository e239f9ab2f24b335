"""Ctrl-C that ends a command at a place where it can be ended, whenever the key is pressed.

Python raises KeyboardInterrupt wherever the main thread happens to be: within an import, or within
a callback that swallows it. Here the main thread does nothing but wait for the key.
"""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import sys
import threading
from collections.abc import Callable
from types import FrameType
from typing import NoReturn, TypeVar

T = TypeVar("T")
STOPPED = 130
#: How long the work may take to end by itself once it was told to, s.
_PATIENCE_S = 0.4
_LOOK_S = 0.1


def leave_at_once(*_: object) -> None:
    """End the process now: a handler for the time before anything was begun."""
    os.write(2, b"cleanchain: stopped; nothing was begun\n")
    os._exit(STOPPED)


def hear(handler: Callable[[int, FrameType | None], object]) -> bool:
    """Let a handler hear Ctrl-C; False where nobody listens to it, or this thread cannot."""
    if threading.current_thread() is not threading.main_thread():
        return False
    if signal.getsignal(signal.SIGINT) in (signal.SIG_IGN, None):
        return False
    signal.signal(signal.SIGINT, handler)
    return True


def leave_to_main_thread() -> None:
    """Keep Ctrl-C from this thread, and from every thread and process that it will start."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})


def stoppable(
    work: Callable[[Callable[[], bool]], T],
    halt: Callable[[], bool],
    farewell: Callable[[], object],
) -> T:
    """Do some work in a thread of its own while the main thread waits for Ctrl-C.

    Parameters
    ----------
    work : callable
        Given a function that tells whether it was stopped.
    halt : callable
        Called again and again, once stopped, until the work has ended: it ends what keeps it busy,
        and tells whether there may be such a thing.
    farewell : callable
        Called at last, where it was stopped: it tidies up, and tells.

    Raises
    ------
    KeyboardInterrupt
        If it was stopped and whoever called hears Ctrl-C; a program that is run for this alone
        ends at once instead.
    """
    told: queue.SimpleQueue[str] = queue.SimpleQueue()  # the one that a handler may put into
    stopped = threading.Event()
    results: list[T] = []
    errors: list[BaseException] = []

    def run() -> None:
        leave_to_main_thread()
        try:
            results.append(work(stopped.is_set))
        except BaseException as error:
            errors.append(error)
        told.put("ended")

    before = signal.getsignal(signal.SIGINT)
    if not hear(lambda *_: told.put("stop")):
        return work(stopped.is_set)
    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    if _next(told) == "stop":
        stopped.set()
        for _ in range(round(_PATIENCE_S / 0.01)):
            busy = halt()
            thread.join(0.01)
            if not (busy and thread.is_alive()):
                break
        halt()
        _show_cursor()
        farewell()
        if before is leave_at_once:
            _leave()
        signal.signal(signal.SIGINT, before)
        raise KeyboardInterrupt
    thread.join()
    signal.signal(
        signal.SIGINT, (lambda *_: (halt(), _leave())) if before is leave_at_once else before
    )
    if errors:
        raise errors[0]
    return results[0]


def _leave() -> NoReturn:
    """End the process without its last rites, which may wait for what goes on in other threads."""
    with contextlib.suppress(Exception):
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(STOPPED)


def _next(told: queue.SimpleQueue[str]) -> str:
    # Some systems run a handler only between two waits.
    while True:
        try:
            return told.get(timeout=_LOOK_S)
        except queue.Empty:
            continue


def _show_cursor() -> None:
    """Give back the cursor that a line of progress may have hidden."""
    if sys.stderr.isatty():
        sys.stderr.write("\r\x1b[K\x1b[?25h")
