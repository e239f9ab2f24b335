"""A piece of work in a Python of its own: two threads of one Python keep each other waiting."""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable
from types import TracebackType
from typing import IO, Any, TypeVar, cast

from cleanchain.threads import core_taken

T = TypeVar("T")

#: The other Python looks for modules where this one does, and nowhere else.
_BEGIN = (
    # Whoever waits for the answer hears Ctrl-C, and ends this.
    "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN);"
    "import sys; sys.path[:] = sys.argv[2:]; from cleanchain.apart import serve; serve(sys.argv[1])"
)
_ready: dict[str, subprocess.Popen[bytes]] = {}


def make_ready(module: str) -> None:
    """Start another Python now, for the next `Apart` that wants this module.

    It ends with this one if nobody ever does.
    """
    if module not in _ready and (process := _begun(module)) is not None:
        _ready[module] = process


def _begun(module: str) -> subprocess.Popen[bytes] | None:
    try:
        return subprocess.Popen(
            [sys.executable, "-c", _BEGIN, module, *sys.path],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
    except OSError:
        return None


class Apart:
    """Another Python that waits for one piece of work; to be used in a with-block.

    Where none can be started, or it ends without an answer, the work is done in this one.

    Parameters
    ----------
    module : str
        Name of a module that the other Python imports while the work is being put together.
    """

    def __init__(self, module: str) -> None:
        self._process = _ready.pop(module, None) or _begun(module)

    def __enter__(self) -> Apart:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()

    def do(self, work: Callable[..., T], *given: Any) -> T:
        """Do the work and return its result, or raise what it raised.

        Parameters
        ----------
        work : callable
            A function of a module.
        *given
            What it is given; all of it must be possible to pickle.
        """
        with core_taken():
            answer = self._answer(pickle.dumps((os.getcwd(), work, given)))
        if answer is None:
            return work(*given)
        result, error = pickle.loads(answer)
        if error is not None:
            raise error
        return result  # type: ignore[no-any-return]

    def _answer(self, asked: bytes) -> bytes | None:
        if self._process is None:
            return None
        questions = cast(IO[bytes], self._process.stdin)
        answers = cast(IO[bytes], self._process.stdout)
        try:
            questions.write(len(asked).to_bytes(8, "little"))
            questions.write(asked)
            questions.flush()
            size = int.from_bytes(answers.read(8), "little")
            answer = answers.read(size)
        except OSError:
            return None
        return answer if size and len(answer) == size else None


def serve(module: str) -> None:
    """Do the one piece of work that comes in, and answer; end as soon as nobody waits for it."""
    questions, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing else may get among the answer
    importlib.import_module(module)
    size = int.from_bytes(questions.read(8), "little")
    question = questions.read(size)
    if not size or len(question) != size:
        return
    threading.Thread(target=_watch, daemon=True).start()
    folder, work, given = pickle.loads(question)
    os.chdir(folder)  # it may have begun in another
    del question
    try:
        answer = pickle.dumps((work(*given), None))
    except Exception as error:  # it is raised where the question came from
        answer = pickle.dumps((None, error))
    with answers:
        answers.write(len(answer).to_bytes(8, "little"))
        answers.write(answer)


def _watch() -> None:
    os.read(0, 1)  # nothing comes but the end
    os._exit(1)
