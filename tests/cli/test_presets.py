from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

NAMES = ("noise_removed_db", "hum_removed_db", "hiss_removed_db", "signal_lost_db", "cost_db")


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the first test that needs a preset leaves it for the others."""
    return tmp_path_factory.mktemp("saved") / "DATA"


@pytest.fixture
def tuned(captures: Path, run: Any, saved: Path) -> Path:
    """Captures beside which a preset is saved."""
    if not saved.exists():
        run("tune", "silence.wav", "--save", "disc", "--notes", "gain at ten o'clock")
        shutil.copytree(captures / "DATA", saved)
    else:
        shutil.copytree(saved, captures / "DATA")
    return captures


def test_tune_gives_reasons_and_saves_what_can_be_read(captures: Path, run: Any) -> None:
    done = run("tune", "silence.wav", "--take", "take.wav", "--save", "disc", "--max-cost", "3dB")
    assert "harmonics 1 3" in done.stdout
    assert "dB are allowed" in " ".join(done.stdout.split())
    text = (captures / "DATA/cleanchain/presets/disc.toml").read_text()
    assert 'stage = "gate"' in text
    assert "mains_hz = 50.0 # tuned: 50.02 Hz in the silence" in text
    assert (captures / "DATA/cleanchain/presets/disc.npz").exists()


def test_a_preset_does_what_its_silence_did(tuned: Path, run_json: Any) -> None:
    """The same settings, once with the silence and once with the preset alone."""
    words = ["hum", "--mains", "50Hz", "gate"]
    given = ["--silence", "silence.wav", "--out", "1.wav", "--json"]
    one = run_json("clean", "take.wav", *given, "high-pass", *words, "loudness")
    other = run_json("clean", "take.wav", "--preset", "disc", "--out", "2.wav", "--json")
    assert other["silence"]["origin"] == "preset"
    for a, b in zip(
        [*one["stages"], one["total"]], [*other["stages"], other["total"]], strict=True
    ):
        for name in NAMES:
            assert a[name] == pytest.approx(b[name], abs=0.5), name
    assert np.array_equal(soundfile.read(tuned / "1.wav")[0], soundfile.read(tuned / "2.wav")[0])


def test_stages_that_are_given_override(tuned: Path, run_json: Any) -> None:
    data = run_json(
        "clean", "take.wav", "--preset", "disc", "--dry-run", "--json", "gate", "--depth", "3dB"
    )
    assert [stage["stage"] for stage in data["stages"]] == ["high-pass", "hum", "gate", "loudness"]
    assert data["stages"][2]["settings"]["depth_db"] == 3.0


def test_another_gain_is_refused_and_can_be_forced(tuned: Path, run: Any) -> None:
    wave, rate = soundfile.read(tuned / "take.wav")
    soundfile.write(tuned / "loud.wav", 2 * wave, rate, subtype="PCM_24")
    done = run("clean", "loud.wav", "--preset", "disc", code=4)
    move = re.search(r"Everything common lies \+([\d.]+) dB \(hum .*the gain was", done.stderr)
    assert move is not None
    assert float(move.group(1)) == pytest.approx(6.02, abs=0.5)
    assert "tune" in done.stderr
    assert not (tuned / "loud.clean.wav").exists()
    forced = run("clean", "loud.wav", "--preset", "disc", "--fit", "anyway", "--dry-run")
    assert "used anyway" in forced.stderr


def test_a_floor_that_rose_is_told_with_its_date(tuned: Path, run: Any) -> None:
    wave, rate = soundfile.read(tuned / "take.wav")
    hiss = np.fft.rfft(0.006 * np.random.default_rng(4).standard_normal(wave.size))
    hiss *= np.fft.rfftfreq(wave.size, 1 / rate) > 3000
    soundfile.write(tuned / "risen.wav", wave + np.fft.irfft(hiss, wave.size), rate, "PCM_24")
    text = (tuned / "DATA/cleanchain/presets/disc.toml").read_text()
    made = next(line for line in text.splitlines() if line.startswith("made")).split()[-1]
    told = run("clean", "risen.wav", "--preset", "disc", code=4).stderr
    assert "The gain is as it was" in told
    assert f"since {made}" in told
    assert "from 3150 Hz" in told


@pytest.mark.parametrize("other", ["otherrate.wav", "stereo.wav"])
def test_other_rate_or_channels_is_refused_even_anyway(tuned: Path, run: Any, other: str) -> None:
    run("clean", other, "--preset", "disc", "--fit", "anyway", code=4)


def test_a_named_silence_takes_the_place_of_the_floor(tuned: Path, run_json: Any) -> None:
    data = run_json("clean", "take.wav", "--preset", "disc", "--silence", "silence.wav",
                    "--dry-run", "--json", "high-pass")  # fmt: skip
    assert data["silence"]["origin"] == "file"


@pytest.mark.parametrize("name", ["../../x", "/etc/passwd", "con", "Disc", "a\u0456"])
def test_hostile_names_are_refused(captures: Path, run: Any, name: str) -> None:
    run("clean", "take.wav", "--preset", name, code=2)
    run("tune", "silence.wav", "--save", name, code=2)


def test_tuning_again_keeps_comments_and_needs_force(tuned: Path, run: Any) -> None:
    path = tuned / "DATA/cleanchain/presets/disc.toml"
    text = path.read_text().replace("[[stages]]", "# my own words\n[[stages]]", 1)
    path.write_text(text)
    run("tune", "silence.wav", "--save", "disc", code=5)
    run("tune", "silence.wav", "--save", "disc", "--force")
    assert "# my own words" in path.read_text()


def test_an_edited_floor_and_a_missing_one_are_refused(tuned: Path, run: Any) -> None:
    floor = tuned / "DATA/cleanchain/presets/disc.npz"
    whole = floor.read_bytes()
    floor.write_bytes(whole[:-1] + b"x")
    assert "another hash" in run("clean", "take.wav", "--preset", "disc", code=4).stderr
    floor.unlink()
    assert "missing" in run("clean", "take.wav", "--preset", "disc", code=4).stderr


def test_presets_are_listed_shown_compared_checked_and_carried(
    tuned: Path, run: Any, run_json: Any
) -> None:
    listed = {row["name"]: row for row in run_json("preset", "list", "--json")["presets"]}
    assert listed["disc"]["whose"] == "own"
    assert listed["bowed"]["whose"] == "shipped"
    assert "gain at ten o'clock" in run("preset", "show", "disc").stdout
    assert run_json("preset", "show", "disc", "--json")["passport"]["rate_hz"] == 16_000
    compared = run("preset", "compare", "disc", "bowed").stdout
    assert "gate.depth_db: 12.0 in disc, 6.0 in bowed" in compared
    assert "bowed carries no floor" in compared
    same = run_json("preset", "compare", "disc", "disc", "--json")
    assert same["settings"] == []
    assert same["floors"]["verdict"] == "fits"
    run("preset", "export", "disc", "--out", "d.zip")
    run("preset", "import", "d.zip", "--name", "disc", code=5)
    run("preset", "import", "d.zip", "--name", "copy")
    run("preset", "remove", "copy")
    assert "Did you mean disc" in run("preset", "show", "disk", code=2).stderr


def test_check_tells_what_fits_and_ends_with_a_code(tuned: Path, run: Any, run_json: Any) -> None:
    assert "take.wav: fits" in run("preset", "check", "disc", "take.wav").stdout
    told = run("preset", "check", "disc", "take.wav", "stereo.wav", code=4).stdout
    assert "stereo.wav: has 2 channel(s)" in told
    data = run_json("preset", "check", "disc", "take.wav", "--json")
    assert data["takes"][0]["fits"] is True


def test_a_shipped_preset_finds_the_silence_in_the_take(captures: Path, run_json: Any) -> None:
    data = run_json("clean", "take.wav", "--preset", "ceramic-disc-50hz", "--dry-run", "--json")
    assert data["silence"]["origin"] == "auto"
    assert data["stages"][0]["settings"]["corner_hz"] == 60.0


def test_the_shell_completes_names_without_numpy(tuned: Path) -> None:
    code = (
        "import sys\nfrom cleanchain.cli.main import main\n"
        "try:\n main()\nexcept SystemExit: pass\n"
        "assert 'numpy' not in sys.modules and 'rich' not in sys.modules"
    )
    for words in ("cleanchain clean take.wav --preset d", "cleanchain preset show d"):
        done = subprocess.run(
            [sys.executable, "-c", code],
            env={
                **os.environ,
                "XDG_DATA_HOME": str(tuned / "DATA"),
                "_CLEANCHAIN_COMPLETE": "bash_complete",
                "COMP_WORDS": words,
                "COMP_CWORD": str(len(words.split()) - 1),
            },
            capture_output=True,
            text=True,
        )
        assert done.stdout.split() == ["plain,disc"], done.stderr
        assert done.returncode == 0, done.stderr
