from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import soundfile

from cleanchain.cli.main import cli
from cleanchain.errors import CleanchainError
from tests.faults.sounds import RATE_HZ, hiss, hum, notes


@dataclass(frozen=True)
class Told:
    code: int
    out: str
    err: str


@pytest.fixture
def call(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Told]:
    """Run a command in this process, in a folder of its own; errors as the user reads them."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> Told:
        code, message = 0, ""
        capsys.readouterr()
        try:
            cli.main(list(words), standalone_mode=False)
        except CleanchainError as error:
            code, message = error.exit_code, str(error)
        told = capsys.readouterr()
        return Told(code, told.out, " ".join(f"{told.err} {message}".split()))

    return run


@pytest.fixture
def command(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run a command in a process of its own."""

    def run(*words: str, **more: Any) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-m", "cleanchain", *words],
            cwd=tmp_path, capture_output=True, text=True, timeout=120, **more,
        )  # fmt: skip
        assert "Traceback" not in done.stderr, done.stderr
        return done

    return run


@pytest.fixture
def takes(tmp_path: Path) -> Path:
    """A take of plucked notes over hum and hiss, `take.wav`, and its silence, `silence.wav`."""
    take = notes(4) + hum(4) + hiss(4)
    soundfile.write(tmp_path / "take.wav", take, RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "silence.wav", hum(3) + hiss(3, 2), RATE_HZ, subtype="PCM_24")
    return tmp_path
