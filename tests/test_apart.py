"""Work in a Python of its own: results, errors, and what happens where there is none."""

from __future__ import annotations

import math
import os
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from cleanchain.apart import Apart, _ready, make_ready
from cleanchain.audio.capture import Capture
from cleanchain.audio.files import open_source
from cleanchain.chain import Chain
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.trial import rehearse


def test_work_is_done_in_another_process() -> None:
    with Apart("math") as apart:
        assert apart.do(os.getpid) != os.getpid()


def test_an_error_of_the_work_comes_back() -> None:
    with Apart("math") as apart, pytest.raises(ValueError, match="domain"):
        apart.do(math.sqrt, -1.0)


def test_what_the_work_prints_is_no_answer(capfd: pytest.CaptureFixture[str]) -> None:
    with Apart("math") as apart:
        assert apart.do(print, "by the way") is None
    heard = capfd.readouterr()
    assert heard.out == ""
    assert "by the way" in heard.err


def test_without_another_python_the_work_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with Apart("math") as apart:
        assert apart.do(os.getpid) == os.getpid()


def test_an_end_without_an_answer_leaves_the_work_to_be_done_here() -> None:
    with Apart("math") as apart:
        assert apart._process is not None
        apart._process.kill()
        assert apart.do(os.getpid) == os.getpid()


def test_one_that_was_made_ready_does_the_work() -> None:
    make_ready("math")
    with Apart("math") as first, Apart("math") as second:
        assert first.do(os.getpid) != second.do(os.getpid)
        assert "math" not in _ready


def test_work_is_done_in_the_folder_that_it_was_asked_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_ready("math")
    monkeypatch.chdir(tmp_path)
    with Apart("math") as apart:
        assert Path(apart.do(os.getcwd)) == tmp_path


def test_a_trial_beside_is_the_same_trial(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    rate_hz = 8000
    at = np.arange(35 * rate_hz) / rate_hz
    tone = 0.2 * np.sin(2 * np.pi * 440 * at) * np.exp(-3 * (at % 1.0))
    path = tmp_path / "take.wav"
    soundfile.write(path, tone + 0.01 * rng.standard_normal(at.size), rate_hz)
    take = open_source(path)
    silence = Capture(0.01 * rng.standard_normal((1, 5 * rate_hz)), rate_hz, "silence")
    chain = Chain([HighPass(), Gate()])
    beside = rehearse(chain, take, silence, beside=True)
    here = rehearse(chain, take, silence)
    assert beside.total.numbers() == here.total.numbers()
