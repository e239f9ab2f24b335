from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from PIL import Image

Run = Callable[..., Any]
RATE_HZ = 8000
KEYS = {
    "schema",
    "kind",
    "bands",
    "snr_bands",
    "alignment",
    "level_match_db",
    "verdict",
    "reasons",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Silences of three builds, the second quieter, stimuli, and takes of one moment."""
    rng = np.random.default_rng(1)

    def noise(gain: float) -> np.ndarray:
        return gain * rng.standard_normal(80_000)

    pauses = np.arange(80_000) % 16_000 < 10_000
    stimulus, music = noise(0.1), noise(0.1) * pauses
    waves = {
        "a": noise(0.02),
        "b": noise(0.01),
        "c": noise(0.02),
        "a2": noise(0.02),
        "b2": noise(0.01),
        "stimulus-a": stimulus + noise(0.02),
        "stimulus-b": stimulus + noise(0.01),
        "take-a": music + noise(0.01),
        "take-b": -0.5 * np.roll(music, 37) + noise(0.002),
    }
    for name, wave in waves.items():
        soundfile.write(tmp_path / f"{name}.wav", wave, RATE_HZ, subtype="FLOAT")
    both = np.stack([waves["take-a"], waves["take-b"], music + noise(0.01)], axis=1)
    soundfile.write(tmp_path / "three.wav", both, RATE_HZ, subtype="FLOAT")
    return tmp_path


def test_json_has_its_keys_for_every_kind(folder: Path, run_json: Run) -> None:
    stimuli = ("--stimulus-a", "stimulus-a.wav", "--stimulus-b", "stimulus-b.wav")
    silences = ("--silence-a", "a.wav", "--silence-b", "b.wav")
    kinds = {
        ("a.wav", "b.wav"): ("silence", "B is quieter"),
        ("a.wav", "b.wav", *stimuli): ("silence", "B is better"),
        ("stimulus-a.wav", "stimulus-b.wav", *silences, "--kind", "stimulus"): (
            "stimulus",
            "B is better",
        ),
        ("take-a.wav", "take-b.wav"): ("at-once", "takes of one moment"),
        ("take-a.wav", "take-a.wav"): ("chain", "no difference found"),
        ("three.wav",): ("at-once", "takes of one moment"),
    }
    for words, (kind, verdict) in kinds.items():
        result = run_json("compare", *words, "--json")
        assert set(result) >= KEYS
        assert result["kind"] == kind
        assert result["verdict"].startswith(verdict)
        row = result["bands"][0]
        assert set(row) >= {"centre_hz", "difference_db", "low_db", "high_db", "differs"}


def test_tables_fit_and_say_what_was_compared(folder: Path, run: Run) -> None:
    commands = {
        ("a.wav", "b.wav"): "Taken for silence captures",
        ("a.wav", "b.wav", "c.wav"): "C - A",
        ("a.wav", "b.wav", "a2.wav", "b2.wav"): "2 builds in turn, 2 captures of each",
        ("take-a.wav", "take-b.wav"): "upside down",
        ("three.wav",): "own noise",
    }
    for words, told in commands.items():
        text = run("compare", *words).stdout
        assert max(map(len, text.splitlines())) <= 80
        assert told in " ".join(text.split())
    assert run("compare", "a.wav", "b.wav").stdout.rstrip().endswith("Verdict: B is quieter.")


def test_the_channel_that_is_compared_is_said_where_there_is_a_choice(
    folder: Path, run: Run, run_json: Run
) -> None:
    wide = np.stack([soundfile.read(folder / f"{name}.wav")[0] for name in ("b", "c")], axis=1)
    soundfile.write(folder / "wide.wav", wide, RATE_HZ, subtype="FLOAT")
    text = " ".join(run("compare", "a.wav", "wide.wav").stdout.split())
    assert "Only channel 1 is compared (--channel names another)" in text
    assert "wide.wav (2)" in text
    assert "channel" not in run_json("compare", "a.wav", "b.wav", "--json")["reasons"][0]
    both = run_json(
        "compare", "wide.wav", "wide.wav", "--kind", "silence", "--channel", "2", "--json"
    )
    assert "Only channel 2" in both["reasons"][0]
    # The second channel of one file alone is asked of a file that has none.
    refused = run("compare", "a.wav", "wide.wav", "--channel", "2", code=4).stderr
    assert "a.wav: has 1 channel, but channel 2 is asked for" in " ".join(refused.split())


def test_what_does_not_fit_is_refused(folder: Path, run: Run) -> None:
    refused = {
        ("a.wav",): "cannot be compared",
        ("a.wav", "b.wav", "--stimulus-a", "a.wav"): "Give both --stimulus-a and --stimulus-b",
        ("a.wav", "b.wav", "--kind", "silence", "--align-out", "d"): "needs takes of one moment",
        ("a.wav", "b.wav", "c.wav", "--builds", "2"): "in turn",
        ("a.wav", "b.wav", "--plot", "x.txt"): "neither a PNG nor an SVG",
        ("a.wav", "b.wav", "--figure", "hum"): "Add --plot",
        ("a.wav", "b.wav", "--plot", "x.png", "--figure", "snr"): "nothing to draw as 'snr'",
        ("a.wav", "b.wav", "--ledger", "x.json", "--kind", "silence"): "beside a chain only",
    }
    for words, told in refused.items():
        assert told in " ".join(run("compare", *words, code=2).stderr.split())


def test_aligned_takes_line_up_at_one_loudness(folder: Path, run: Run) -> None:
    run("compare", "take-a.wav", "take-b.wav", "--align-out", "heard")
    a, rate_hz = soundfile.read(folder / "heard" / "a-take-a.wav")
    b, _ = soundfile.read(folder / "heard" / "b-take-b.wav")
    assert rate_hz == RATE_HZ
    assert a.size == b.size
    assert 80_000 - 45 <= a.size <= 80_000 - 35
    assert np.corrcoef(a, b)[0, 1] > 0.98
    assert b.std() == pytest.approx(a.std(), rel=0.02)
    again = run("compare", "take-a.wav", "take-b.wav", "--align-out", "heard", code=5)
    assert "already exists" in again.stderr


def test_pictures_and_the_ledger_beside(folder: Path, run: Run) -> None:
    run("compare", "a.wav", "b.wav", "--plot", "a.svg")
    assert "B is quieter" in (folder / "a.svg").read_text()
    ledger = {
        "schema": "cleanchain/clean/1",
        "take": "take-a.wav",
        "stages": [{"stage": "gate", "noise_removed_db": 6.3, "signal_lost_db": 0.1}],
        "total": {"noise_removed_db": 6.3},
    }
    (folder / "led.json").write_text(json.dumps(ledger))
    text = run(
        "compare", "take-a.wav", "take-a.wav", "--ledger", "led.json", "--plot", "c.png"
    ).stdout
    assert "gate" in text
    assert (folder / "c.png").stat().st_size > 10_000
    (folder / "all-levels.png").write_text("mine")
    words = ("compare", "a.wav", "b.wav", "--plot", "all.png", "--figure", "all")
    run(*words, code=5)
    run(*words, "--plot-size", "slide", "--force")
    drawn = {path.name for path in folder.glob("all*.png")}
    assert {"all-differences.png", "all-octaves.png", "all-spectra.png"} <= drawn
    with Image.open(folder / "all-levels.png") as picture:
        assert picture.size == (1920, 1080)
    (folder / "led.json").write_text("{}")
    run("compare", "take-a.wav", "take-a.wav", "--ledger", "led.json", code=3)
