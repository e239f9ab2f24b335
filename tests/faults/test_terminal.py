"""Locales, odd names, terminals that are none, threads."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
import soundfile

Call = Callable[..., Any]
Command = Callable[..., subprocess.CompletedProcess[str]]
OUT = ("--silence", "silence.wav", "--out", "out.wav")
NAMES = [
    "two words.wav", "-leading.wav", "harp \N{MUSICAL NOTE}.wav", "$HOME;ls.wav", '"quoted".wav',
    "<b>&amp;.wav", "new\nline.wav", "gate", os.fsdecode(b"l\xe4ute.wav"),
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_fault_40_any_name_goes_there_and_back(takes: Path, call: Call, name: str) -> None:
    shutil.copy(takes / "take.wav", takes / name)
    given = name if name != "gate" else "./gate"
    out = ("--out", "out.wav") if name == "gate" else ()
    told = call("clean", "--silence", "silence.wav", "--json", *out, "--", given, "high-pass")
    assert told.code == 0, told.err
    data = json.loads(told.out)
    assert Path(data["take"]).name == name
    assert (takes / data["out"]).exists()
    assert json.loads(call("inspect", "--json", "--", given).out)["frames"] == 64_000


@pytest.mark.parametrize("name", [NAMES[-1], NAMES[2]])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_fault_40_a_name_that_the_terminal_cannot_show(
    takes: Path, command: Command, name: str, encoding: str
) -> None:
    shutil.copy(takes / "take.wav", takes / name)
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    told = command("inspect", name, env=environment, encoding="latin-1")
    assert told.returncode == 0, told.stderr
    assert "samples: sha256:" in told.stdout


@pytest.mark.parametrize("locale", ["de_DE.UTF-8", "C"])
def test_fault_40_a_locale_changes_no_number(
    takes: Path, command: Command, call: Call, locale: str
) -> None:
    environment = {**os.environ, "LC_ALL": locale, "LANG": locale}
    words = ("clean", "take.wav", *OUT, "--dry-run", "--json", "high-pass", "--corner")
    told = command(*words, "80.5Hz", env=environment)
    assert told.returncode == 0, told.stderr
    assert json.loads(told.stdout)["stages"][0]["settings"]["corner_hz"] == 80.5
    with pytest.raises(click.BadParameter, match="80,5Hz"):
        call(*words, "80,5Hz")


@pytest.mark.parametrize("words", [("inspect", "take.wav"), ("clean", "take.wav", "--dry-run")])
def test_fault_41_whoever_read_the_output_has_gone(takes: Path, words: tuple[str, ...]) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "cleanchain", *words],
        cwd=takes, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    told = process.stderr.read().decode()
    process.stderr.close()
    process.wait(60)
    assert "Traceback" not in told
    assert "Exception ignored" not in told
    assert "Broken pipe" not in told


@pytest.mark.parametrize(
    "environment", [{"TERM": "dumb", "COLUMNS": "20"}, {"FORCE_COLOR": "", "COLUMNS": "0"}]
)
def test_fault_41_no_terminal_no_colours(
    takes: Path, command: Command, environment: dict[str, str]
) -> None:
    words = ("clean", "take.wav", *OUT, "--dry-run", "high-pass")
    told = command(*words, env={**os.environ, **environment})
    assert told.returncode == 0
    assert "\x1b" not in told.stdout + told.stderr
    assert any(line.startswith("high-pass") for line in told.stdout.splitlines())
    assert "-" in told.stdout


def test_fault_41_a_narrow_terminal(takes: Path) -> None:
    """20 columns, a terminal: nothing is lost of the numbers, nothing raises."""
    pty = pytest.importorskip("pty")
    import fcntl
    import struct
    import termios

    parent, child = pty.openpty()
    fcntl.ioctl(child, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 20, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "cleanchain", "clean", "take.wav", *OUT, "--dry-run", "high-pass"],
        cwd=takes, stdout=child, stderr=child, stdin=child, env={**os.environ, "TERM": "dumb"},
    )  # fmt: skip
    os.close(child)
    seen = b""
    while True:
        try:
            some = os.read(parent, 1000)
        except OSError:
            break
        if not some:
            break
        seen += some
    os.close(parent)
    assert process.wait(60) == 0
    assert b"Traceback" not in seen
    assert b"\x1b[3" not in seen
    assert b"nothing written" in b" ".join(seen.split())


def test_fault_44_threads_of_the_linear_algebra_change_less_than_a_step(
    takes: Path, command: Command
) -> None:
    outputs = []
    for threads in ("1", "8"):
        name = f"out{threads}.wav"
        variables = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
        told = command(
            "clean", "take.wav", "--silence", "silence.wav", "--out", name,
            env={**os.environ, **dict.fromkeys(variables, threads)},
        )  # fmt: skip
        assert told.returncode == 0
        outputs.append(soundfile.read(takes / name, dtype="int32")[0] >> 8)
    assert np.abs(outputs[0] - outputs[1]).max() <= 1


def test_fault_44_last_bits_of_the_arithmetic_do_not_pass_the_rounding(tmp_path: Path) -> None:
    """What another processor rounds otherwise, 1e-13 here, moves no sample by more than a step.

    The dither is the same, for its seed comes from the input.
    """
    from cleanchain.audio.capture import Capture
    from cleanchain.audio.files import open_source
    from cleanchain.audio.source import read_all
    from cleanchain.audio.writing import as_written

    noise = 0.1 * np.random.default_rng(1).standard_normal(200_000)
    soundfile.write(tmp_path / "x.wav", noise, 48_000, subtype="PCM_24")
    take = open_source(tmp_path / "x.wav")
    samples: Any = 0.7 * read_all(take)
    other = samples * (1 + 1e-13 * np.random.default_rng(2).standard_normal(samples.shape))
    one, two = (
        np.concatenate(list(as_written(Capture(s, 48_000), take))) >> 8 for s in (samples, other)
    )
    assert np.abs(one - two).max() <= 1
    assert np.count_nonzero(one != two) <= 2
