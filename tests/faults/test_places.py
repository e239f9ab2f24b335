"""Disks that are full or read-only, runs that are killed, names that are taken or too long."""

from __future__ import annotations

import ctypes
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from cleanchain.audio.atomic import renamed_when_whole
from cleanchain.errors import PathError
from tests.faults.sounds import RATE_HZ, hiss

Call = Callable[..., Any]
Command = Callable[..., subprocess.CompletedProcess[str]]
GIVEN = ("take.wav", "--silence", "silence.wav", "--out")


def state(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {
        path.name: (path.read_bytes(), path.stat().st_mtime_ns)
        for path in folder.iterdir()
        if path.is_file()
    }


@pytest.mark.parametrize("ending", ["wav", "flac"])
def test_fault_24_a_full_disk(takes: Path, command: Command, ending: str) -> None:
    """No file may pass 100 kB, as on a disk with no more room; an older output stays as it was."""
    noise, rate = soundfile.read(takes / "take.wav")
    soundfile.write(takes / f"take.{ending}", noise, rate, subtype="PCM_24")
    (takes / f"out.{ending}").write_bytes(b"an older output")
    before = state(takes)

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    words = (f"take.{ending}", "--silence", "silence.wav", "--out", f"out.{ending}", "--force")
    told = command("clean", *words, "gate", preexec_fn=limit)
    assert told.returncode == 6, told.stderr
    assert "disk is full" in told.stderr
    assert "nothing was kept" in told.stderr
    assert state(takes) == before


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 256 kB, where the system lets us have one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    try:
        made = subprocess.run(mount, capture_output=True)
    except FileNotFoundError:
        pytest.skip("there is no mount")
    if made.returncode:
        pytest.skip("may not mount a small disk")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_fault_24_a_small_disk_is_seen_before_the_work(
    takes: Path, command: Command, small_disk: Path
) -> None:
    soundfile.write(takes / "long.wav", hiss(10), RATE_HZ, subtype="PCM_24")
    told = command("clean", "long.wav", "--silence", "silence.wav", "--out", "disk/out.wav")
    assert told.returncode == 6
    assert "are free" in told.stderr
    assert not list(small_disk.iterdir())


def test_fault_24_a_small_disk_with_room_for_one_of_two(
    takes: Path, command: Command, small_disk: Path
) -> None:
    """What was written first is whole, of the other there is nothing."""
    soundfile.write(takes / "long.wav", hiss(4), RATE_HZ, subtype="PCM_24")
    words = ("--silence", "silence.wav", "--removed", "disk/gone.wav", "--out", "disk/out.wav")
    told = command("clean", "long.wav", *words, "gate")
    assert told.returncode == 6, told.stderr
    assert "needs 0.192 MB, but only" in told.stderr
    assert [path.name for path in small_disk.iterdir()] == ["out.wav"]
    assert soundfile.info(small_disk / "out.wav").frames == 4 * RATE_HZ


def test_fault_24_no_room_for_temporary_files(
    takes: Path, command: Command, small_disk: Path
) -> None:
    long = np.tile(hiss(10), (120, 1))  # 20 minutes: 154 MB while it is worked on
    soundfile.write(takes / "long.wav", long, RATE_HZ, subtype="PCM_16")
    words = ("--silence", "silence.wav", "--out", "out.wav")
    told = command("clean", "long.wav", *words, "high-pass", "loudness",
                   env={**os.environ, "TMPDIR": str(small_disk)})  # fmt: skip
    assert told.returncode == 6, told.stderr
    assert "folder for temporary files is full" in told.stderr
    assert "TMPDIR" in told.stderr
    assert not (takes / "out.wav").exists()


SLOW = """
import sys, time
from pathlib import Path
import numpy as np
from cleanchain.audio.files import open_source
from cleanchain.audio.source import ReadableByRange
from cleanchain.audio.writing import write_source
take = open_source(Path("take.wav"))
class Slow(ReadableByRange):
    name, rate_hz, channels, frames = "slow", take.rate_hz, take.channels, take.frames
    def blocks(self, block_frames=1000):
        for start in range(0, self.frames, 1000):
            print("block", flush=True)
            time.sleep(0.1 if start > 20_000 else 0)
            yield take.read(start, min(start + 1000, self.frames))
write_source(Path("out.wav"), Slow(), take, overwrite=True)
"""


def killed_half_way(folder: Path, how: signal.Signals) -> str:
    """Start to write out.wav slowly, stop it in the middle; what it said on its way out."""
    process = subprocess.Popen(
        [sys.executable, "-c", SLOW], cwd=folder, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None
    for _ in range(25):
        process.stdout.readline()
    os.kill(process.pid, how)
    return process.communicate(timeout=30)[1]


@pytest.mark.parametrize("older", [b"", b"an older output"])
def test_fault_25_killed_half_way(takes: Path, call: Call, older: bytes) -> None:
    """Nothing of it is seen under the output's name; the next run clears the rest away."""
    if older:
        (takes / "out.wav").write_bytes(older)
    before = state(takes)
    killed_half_way(takes, signal.SIGKILL)
    debris = [path for path in takes.iterdir() if path.name not in before]
    assert [path.suffix for path in debris] == [".part"]
    assert debris[0].stat().st_size > 0
    assert {name: state(takes)[name] for name in before} == before
    assert call("clean", *GIVEN, "out.wav", "--force", "high-pass").code == 0
    assert {path.name for path in takes.iterdir()} == {*before, "out.wav"}


@pytest.mark.parametrize("how", [signal.SIGINT])
def test_fault_25_stopped_half_way(takes: Path, how: signal.Signals) -> None:
    before = state(takes)
    assert "KeyboardInterrupt" in killed_half_way(takes, how)
    assert state(takes) == before


@pytest.mark.parametrize("after_s", [0.2, 0.8, 1.6, 2.4])
def test_fault_25_ctrl_c_at_any_moment(takes: Path, after_s: float) -> None:
    before = state(takes)
    process = subprocess.Popen(
        [sys.executable, "-m", "cleanchain", "clean", *GIVEN, "out.wav"],
        cwd=takes, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    time.sleep(after_s)
    os.kill(process.pid, signal.SIGINT)
    told = process.communicate(timeout=60)[1]
    left = state(takes)
    whole = left.pop("out.wav", None)
    assert left == before
    if whole is not None:
        assert soundfile.info(takes / "out.wav").frames == 4 * RATE_HZ
    if process.returncode == 130:
        said = told.splitlines()[-1].removeprefix("cleanchain: stopped; nothing was ")
        assert said in ("left half written", "begun")  # a start may be slow
        assert "Traceback" not in told


def without_privilege() -> None:
    """Let a superuser be bound by permissions like everybody else (Linux: prctl, capabilities)."""
    libc = ctypes.CDLL(None)
    for capability in (1, 2):  # to write and to read whatever the permissions say
        libc.prctl(24, capability, 0, 0, 0)


def test_fault_26_a_folder_that_is_read_only(takes: Path, command: Command) -> None:
    (takes / "locked").mkdir(mode=0o555)
    told = command("clean", *GIVEN, "locked/out.wav", preexec_fn=without_privilege)
    assert told.returncode == 5, told.stderr
    assert "cannot be written to (Permission denied)" in told.stderr
    assert "silence:" not in told.stdout


def test_fault_26_a_take_that_may_not_be_read(takes: Path, command: Command) -> None:
    (takes / "take.wav").chmod(0o000)
    told = command("clean", *GIVEN, "out.wav", preexec_fn=without_privilege)
    assert told.returncode == 3, told.stderr
    assert "may not be read by you" in told.stderr


@pytest.mark.parametrize(
    ("out", "message"),
    [
        ("nowhere/out.wav", "does not exist"),
        ("x" * 300 + ".wav", "too long"),
        ("take.wav/out.wav", "is not a folder"),
        ("folder.wav", "is a folder"),
        ("pipe.wav", "not a regular file"),
        ("loop.wav", "cannot be written"),
    ],
)
def test_fault_26_places_that_cannot_be_written(
    takes: Path, call: Call, out: str, message: str
) -> None:
    (takes / "folder.wav").mkdir()
    os.mkfifo(takes / "pipe.wav")
    (takes / "loop.wav").symlink_to("loop.wav")
    told = call("clean", *GIVEN, out, "--force")
    assert told.code == 5
    assert message in told.err


@pytest.mark.parametrize("link", ["same", "dotted", "symlink", "hard link", "folder link", "twin"])
@pytest.mark.parametrize("which", ["take.wav", "silence.wav"])
def test_fault_27_an_input_is_never_overwritten(
    takes: Path, call: Call, link: str, which: str
) -> None:
    out = {"same": which, "dotted": f"./sub/../{which}", "twin": which.upper()}.get(link, "out.wav")
    (takes / "sub").mkdir()
    if link == "symlink":
        (takes / out).symlink_to(which)
    if link == "hard link":
        (takes / out).hardlink_to(takes / which)
    if link == "folder link":
        (takes / "there").symlink_to(".")
        out = f"there/{which}"
    before = state(takes)
    told = call("clean", *GIVEN, out, "--force")
    assert told.code == 5
    assert "the input" in told.err
    assert state(takes) == before


def test_fault_27_a_link_to_another_file_is_followed(takes: Path, call: Call) -> None:
    (takes / "elsewhere").mkdir()
    (takes / "out.wav").symlink_to("elsewhere/real.wav")
    assert call("clean", *GIVEN, "out.wav", "high-pass").code == 0
    assert (takes / "out.wav").is_symlink()
    assert soundfile.info(takes / "elsewhere" / "real.wav").frames == 4 * RATE_HZ


def test_fault_27_an_output_with_another_name_is_parted_from_it(takes: Path, call: Call) -> None:
    """Replacing one of two names of a file leaves the other as it was."""
    (takes / "out.wav").write_bytes(b"an older output")
    (takes / "kept.wav").hardlink_to(takes / "out.wav")
    assert call("clean", *GIVEN, "out.wav", "--force", "high-pass").code == 0
    assert (takes / "kept.wav").read_bytes() == b"an older output"


def test_fault_28_two_inputs_with_one_output(takes: Path, call: Call) -> None:
    for second in ("out.wav", "./out.wav"):
        told = call("clean", *GIVEN, "out.wav", "--also", "take.wav", second, "high-pass")
        assert told.code == 5
        assert "two outputs" in told.err
    assert not (takes / "out.wav").exists()


def test_fault_28_two_runs_at_once(takes: Path, call: Call) -> None:
    with renamed_when_whole(takes / "out.wav") as part:
        told = call("clean", *GIVEN, "out.wav", "high-pass")
        assert not (takes / "out.wav").exists()
        part.write_bytes(b"first")
    assert told.code == 5
    assert "another run" in told.err
    assert (takes / "out.wav").read_bytes() == b"first"


def test_fault_28_a_file_that_appears_meanwhile_is_not_replaced(takes: Path) -> None:
    late = renamed_when_whole(takes / "out.wav", overwrite=False)
    late.__enter__().write_bytes(b"late")
    (takes / "out.wav").write_bytes(b"early")
    with pytest.raises(PathError, match="has appeared while"):
        late.__exit__(None, None, None)
    assert (takes / "out.wav").read_bytes() == b"early"
    assert not list(takes.glob(".*part"))
