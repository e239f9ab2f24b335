"""The words that the loudness stage has on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

RATE_HZ = 16_000


@pytest.fixture
def take(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.chdir(tmp_path)
    n = np.arange(3 * RATE_HZ)
    soundfile.write("take.wav", 0.01 * np.sin(2 * np.pi * 440 * n / RATE_HZ), RATE_HZ)
    return "take.wav"


def settings(run_json: Callable[..., Any], take: str, *words: str) -> dict[str, Any]:
    told = run_json("clean", take, "--dry-run", "--json", "loudness", *words)
    return told["stages"][0]["settings"]  # type: ignore[no-any-return]


def test_the_numbers_behind_the_words(take: str, run_json: Callable[..., Any]) -> None:
    plain = {"target_lufs": -23.0, "ceiling_dbtp": -1.0, "mono": "as-is"}
    assert settings(run_json, take) == plain
    assert settings(run_json, take, "--level", "mix") == {
        "target_lufs": -21.0, "ceiling_dbtp": -6.0, "mono": "as-is",
    }  # fmt: skip
    assert settings(run_json, take, "--level", "mix", "--ceiling", "-3dBTP")["ceiling_dbtp"] == -3.0
    assert settings(run_json, take, "--mono", "dual") == {**plain, "mono": "dual"}


def test_a_level_and_a_target_exclude_each_other(take: str, run: Callable[..., Any]) -> None:
    told = run("clean", take, "--dry-run", "loudness", "--level", "mix", "--target", "-20LUFS",
               code=2)  # fmt: skip
    assert "leave --target out" in told.stderr


def test_help_says_the_numbers_of_a_level(take: str, run: Callable[..., Any]) -> None:
    told = " ".join(run("clean", take, "loudness", "--help").stdout.split())
    assert "-21LUFS and -6dBTP" in told
    assert "no source" in told


def test_what_the_stage_did_is_printed(take: str, run: Callable[..., Any]) -> None:
    told = " ".join(
        run("clean", take, "--dry-run", "loudness", "--target", "-20LUFS").stdout.split()
    )
    assert "LUFS before, -20.0 after (one channel, counted once); true peak" in told
    assert "start your monitors low" in told
