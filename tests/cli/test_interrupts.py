from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

# The work imports modules over and over, whose locks call back when they are forgotten: where
# KeyboardInterrupt is raised in such a callback, Python prints it and goes on.
WORK = """
import importlib, signal, subprocess, sys, time
from cleanchain.cli.interrupts import hear, leave_at_once, stoppable

def work(stopped):
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    print(child.pid, flush=True)
    last = time.monotonic() + 20
    while not stopped() and time.monotonic() < last:
        for name in ("colorsys", "no_such_module", "bisect"):
            sys.modules.pop(name, None)
            try:
                importlib.import_module(name)
            except ImportError:
                pass
    child.terminate()
    return child.wait()

hear({handler})
stoppable(work, lambda: True, lambda: print("farewell", flush=True))
"""


@pytest.mark.parametrize("delay_s", [0.0, 0.003, 0.011, 0.027])
def test_the_key_is_never_lost_nor_a_traceback(delay_s: float) -> None:
    process, child = start(WORK.format(handler="leave_at_once"))
    time.sleep(delay_s)
    deaf = not hears_interrupts(child)
    process.send_signal(signal.SIGINT)
    out, told = process.communicate(timeout=30)
    assert deaf
    assert (process.returncode, out, told) == (130, "farewell\n", "")


def test_whoever_hears_the_key_itself_gets_the_interrupt() -> None:
    process, _ = start(WORK.format(handler="signal.default_int_handler"))
    process.send_signal(signal.SIGINT)
    out, told = process.communicate(timeout=30)
    assert out == "farewell\n"
    assert told.rstrip().endswith("KeyboardInterrupt")
    assert process.returncode == -signal.SIGINT


def test_what_the_work_returns_and_raises_comes_through() -> None:
    from cleanchain.cli.interrupts import stoppable

    before = signal.getsignal(signal.SIGINT)
    assert stoppable(lambda stopped: stopped(), lambda: False, lambda: None) is False
    with pytest.raises(ZeroDivisionError):
        stoppable(lambda _: 1 // 0, lambda: False, lambda: None)
    assert signal.getsignal(signal.SIGINT) is before


def start(program: str) -> tuple[subprocess.Popen[str], int]:
    process = subprocess.Popen(
        [sys.executable, "-c", program],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert process.stdout is not None
    return process, int(process.stdout.readline())


def hears_interrupts(pid: int) -> bool:
    """Whether Ctrl-C reaches a process, by what the system says of it."""
    status = Path(f"/proc/{pid}/status")
    if not status.exists():
        pytest.skip("this system does not tell what a process has blocked")
    held = dict(line.split(":", 1) for line in status.read_text().splitlines())
    deaf = int(held["SigBlk"], 16) | int(held["SigIgn"], 16)
    return not deaf >> (signal.SIGINT - 1) & 1
