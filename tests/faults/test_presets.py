"""Presets that are hostile, of another time or another build; takes that end a batch's worker."""

from __future__ import annotations

import io
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.cli.main import cli
from cleanchain.errors import CleanchainError, FitError, InputError, SettingError
from cleanchain.presets.fit import check_fit
from cleanchain.presets.floor import pack_floor, unpack_floor
from cleanchain.presets.names import check_name, find_preset
from cleanchain.presets.passport import learn
from cleanchain.presets.text import parse_preset
from tests.faults.sounds import RATE_HZ, hiss, hum, notes

Call = Callable[..., Any]
FLOOR = hum(3) + hiss(3, 2)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folders of the user for one test alone; returns that of the presets."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "data" / "cleanchain" / "presets"


@pytest.mark.parametrize(
    "name",
    [
        "../../x", "/etc/passwd", "a/b", "..", ".", "", "a\0b", "CON", "con", "nul", "aux",
        "\N{CYRILLIC SMALL LETTER A}bc", "p\N{COMBINING ACUTE ACCENT}", "a b", "-a", "a" * 300,
        "C:\\x", "%2e%2e", "~root", "x\n",
    ],
)  # fmt: skip
def test_fault_30_a_name_of_a_preset_is_no_path(takes: Path, call: Call, name: str) -> None:
    with pytest.raises(SettingError, match="is not the name of a preset"):
        check_name(name)
    with pytest.raises(CleanchainError):
        find_preset(name)
    if "\0" not in name:
        before = sorted(takes.rglob("*"))
        told = call("tune", "silence.wav", "--save", name)
        assert told.code == 2
        assert sorted(takes.rglob("*")) == before


class Trap:
    """Says so when it is unpickled."""

    def __reduce__(self) -> Any:
        return (pytest.fail, ("a pickle was run",))


def test_fault_31_a_pickle_among_the_arrays_is_not_run() -> None:
    packed = pack_floor(learn(Capture(FLOOR.T, RATE_HZ))[0])
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        good = dict(arrays)
    for change in (np.array([[Trap()]], dtype=object), np.full((1, 3000), np.nan)):
        whole = io.BytesIO()
        np.savez(whole, **{**good, "samples": change})
        with pytest.raises(InputError, match="not the floor of a preset"):
            unpack_floor(whole.getvalue(), "x")


@pytest.mark.parametrize(
    "text",
    [
        b"a = !!python/object/apply:os.system ['x']",
        b"a = " + b"[" * 50_000,
        b"[preset]\nformat = 1\n[[stages]]\nstage = 'gate'\ndepth_db = 1e308",
        b"[preset]\nformat = 1\n[[stages]]\nstage = 'gate'\ndepth_db = nan",
        b"[preset]\nformat = 1\nstages = [" + b"{stage='gate'}," * 100_000 + b"]",
        b"\x80\x04cos\nsystem\n",
    ],
)
def test_fault_31_hostile_texts_are_one_plain_message(text: bytes) -> None:
    with pytest.raises(InputError):
        parse_preset(text, "x")


def test_fault_31_a_preset_larger_than_any_is_not_read(home: Path, takes: Path, call: Call) -> None:
    assert call("tune", "silence.wav", "--save", "disc").code == 0
    with (home / "disc.toml").open("ab") as file:
        file.write(b"#" * (1 << 21))
    told = call("clean", "take.wav", "--preset", "disc", "--out", "out.wav")
    assert told.code == 3
    assert "larger than 1 MB" in told.err


def test_fault_32_a_newer_preset_and_a_floor_that_is_missing_or_edited(
    home: Path, takes: Path, call: Call
) -> None:
    with pytest.raises(FitError, match="format 2"):
        parse_preset(b"[preset]\nformat = 2\n[[stages]]\nstage = 'new'", "x")
    assert call("tune", "silence.wav", "--save", "disc").code == 0
    words = ("clean", "take.wav", "--preset", "disc", "--out", "out.wav")
    floor = bytearray((home / "disc.npz").read_bytes())
    floor[len(floor) // 2] ^= 1
    (home / "disc.npz").write_bytes(bytes(floor))
    edited = call(*words)
    (home / "disc.npz").unlink()
    missing = call(*words)
    assert (edited.code, missing.code) == (4, 4)
    assert "disc" in edited.err
    assert "disc.npz" in missing.err
    assert not (takes / "out.wav").exists()


def test_fault_13_a_preset_of_another_rate(takes: Path, call: Call) -> None:
    other = hum(3, 44_100) + hiss(3, 2, 44_100)
    soundfile.write(takes / "s.wav", other, 44_100, subtype="PCM_24")
    assert call("tune", "s.wav", "--save", "disc").code == 0
    told = call("clean", "take.wav", "--preset", "disc", "--out", "out.wav")
    assert told.code == 4
    assert "has 16000 Hz" in told.err
    assert "44100" in told.err


@pytest.mark.parametrize(
    ("move_db", "verdict"),
    [(0.0, "fits"), (1.0, "fits"), (2.2, "warned"), (-2.2, "warned"), (4.5, "refused")],
)
def test_fault_34_a_floor_of_another_level(move_db: float, verdict: str) -> None:
    gain = 10 ** (move_db / 20)
    take = notes(12, first_s=5.0) + gain * (hum(12) + hiss(12))
    floor, _ = learn(Capture(np.tile(FLOOR, (3, 1)).T, RATE_HZ))
    fit = check_fit(floor, Capture(take.T, RATE_HZ))
    assert fit.verdict == verdict, fit


def test_fault_34_a_take_of_another_level_is_refused(takes: Path, call: Call) -> None:
    assert call("tune", "silence.wav", "--save", "disc").code == 0
    louder = notes(6, first_s=3.0) + 2 * (hum(6) + hiss(6))
    soundfile.write(takes / "x.wav", louder, RATE_HZ, subtype="PCM_24")
    told = call("clean", "x.wav", "--preset", "disc", "--out", "out.wav", "gate")
    assert told.code == 4
    assert "--fit anyway" in told.err
    assert not (takes / "out.wav").exists()


def test_fault_01_a_batch_goes_on(takes: Path, command: Any) -> None:
    environment = {**os.environ, "XDG_DATA_HOME": str(takes / "data")}
    (takes / "empty.wav").write_bytes(b"")
    shutil.copy(takes / "take.wav", takes / "second.wav")
    assert command("tune", "silence.wav", "--save", "disc", env=environment).returncode == 0
    told = command(
        "batch", "empty.wav", "take.wav", "second.wav", "--preset", "disc", "--fit", "anyway",
        "--out-dir", "out", env=environment,
    )  # fmt: skip
    assert told.returncode == 1, told.stderr
    assert "no audio" in told.stdout + told.stderr
    names = sorted(path.name for path in (takes / "out").glob("*.wav"))
    assert names == ["second.wav", "take.wav"]


def test_fault_43_a_worker_that_dies_costs_no_other_take(takes: Path, home: Path) -> None:
    """Its take is told as failed or done again; the others are done."""
    cli.main(["tune", str(takes / "silence.wav"), "--save", "disc"], standalone_mode=False)
    names = [f"t{number}.wav" for number in range(4)]
    for name in names:
        shutil.copy(takes / "take.wav", takes / name)
    process = subprocess.Popen(
        [sys.executable, "-m", "cleanchain", "batch", *names, "--preset", "disc", "--fit",
         "anyway", "--out-dir", "out", "--jobs", "1"],
        cwd=takes, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stderr is not None
    assert "t0.wav" in process.stderr.readline()
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    if not children.exists():
        pytest.skip("the system does not list the children of a process")
    for child in children.read_text().split():
        if b"LokyProcess" in Path(f"/proc/{child}/cmdline").read_bytes():
            os.kill(int(child), signal.SIGKILL)
    process.communicate(timeout=200)
    done = {path.name for path in (takes / "out").glob("*.wav")}
    assert process.returncode in (0, 1)
    assert len(done) >= 3
    assert all(soundfile.info(takes / "out" / name).frames == 64_000 for name in done)
