from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

#: Folders of the user, which every test has for itself.
KINDS = ("DATA", "CONFIG")
Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run the command line as its users do: a process of its own, in a folder of its own."""

    def call(*words: str, code: int = 0, **more: str) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-m", "cleanchain", *words],
            cwd=tmp_path,
            env={**os.environ, **{f"XDG_{of}_HOME": str(tmp_path / of) for of in KINDS}, **more},
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode == code, done.stderr
        assert "Traceback" not in done.stderr
        return done

    return call


@pytest.fixture
def run_json(run: Run) -> Callable[..., dict[str, Any]]:
    def call(*words: str) -> dict[str, Any]:
        return json.loads(run(*words).stdout, parse_constant=pytest.fail)  # no NaN, no Infinity

    return call


@pytest.fixture
def captures(tmp_path: Path) -> Path:
    """A short take of plucked notes with 50 Hz hum and hiss, a silence of 4 s, and misfits."""
    rng = np.random.default_rng(5)
    rate = 16_000

    def noise(seconds: float) -> np.ndarray:
        t = np.arange(int(seconds * rate)) / rate
        phase = 2 * np.pi * 50.02 * t + rng.uniform(0, 6)
        return (
            0.01 * np.cos(phase)
            + 0.004 * np.cos(3 * phase + 1)
            + 0.003 * rng.standard_normal(t.size)
        )

    t = np.arange(5 * rate) / rate
    music = np.zeros_like(t)
    for k, hz in enumerate((220.0, 277.2, 329.6, 440.0)):
        since = t - 1.5 - 0.6 * k
        music += np.where(since > 0, 0.2 * np.exp(-2.5 * since.clip(0)), 0) * np.sin(
            2 * np.pi * hz * since
        )
    take = music + noise(5)
    write = soundfile.write
    write(tmp_path / "take.wav", take, rate, subtype="PCM_24")
    write(tmp_path / "silence.wav", noise(4), rate, subtype="PCM_24")
    write(tmp_path / "other.wav", 0.5 * take, rate, subtype="PCM_16")
    write(tmp_path / "otherrate.wav", noise(4), 22_050)
    write(tmp_path / "stereo.wav", np.stack([noise(4)] * 2, axis=1), rate)
    write(tmp_path / "short.wav", noise(0.2), rate)
    write(tmp_path / "zeros.wav", np.zeros(4 * rate), rate)
    bad = take.copy()
    bad[7000] = np.nan
    write(tmp_path / "nan.wav", bad, rate, subtype="FLOAT")
    (tmp_path / "text.wav").write_text("not audio at all")
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "folder.wav").mkdir()
    return tmp_path
