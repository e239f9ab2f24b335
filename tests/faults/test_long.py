"""Takes of hours: memory that does not grow with them."""

from __future__ import annotations

import struct
import subprocess
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.audio.files import open_source
from cleanchain.chain import Chain
from cleanchain.cli.stages import default_chain
from cleanchain.results import results_of
from tests.audio.waves import chunk
from tests.faults.sounds import RATE_HZ, hiss, hum, notes

#: Runs a command and prints the most memory it ever had, in bytes, and the seconds it took.
MEASURED = """
import resource, subprocess, sys, time
started = time.monotonic()
code = subprocess.run([sys.executable, "-m", "cleanchain", *sys.argv[1:]]).returncode
most = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024
print(f"measured {code} {most} {time.monotonic() - started:.0f}")
"""


def test_fault_39_memory_does_not_grow_with_the_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a minute and two minutes, all that is longer than a second kept on disk."""
    monkeypatch.setattr("cleanchain.operators.planned.MEMORY_BYTES", 8 * RATE_HZ)
    # How many steps helpers hold at a time hangs on who is quicker; it is bounded, but not even.
    monkeypatch.setattr("cleanchain.threads._alone", True)
    silence = Capture((hum(3) + hiss(3, 2)).T, RATE_HZ)
    part = notes(30) + hum(30) + hiss(30)
    most = []
    for times in (1, 4):
        path = tmp_path / f"take-{times}.wav"
        soundfile.write(path, np.tile(part, (times, 1)), RATE_HZ, subtype="PCM_24")
        tracemalloc.start()
        take = open_source(path)
        results_of(Chain(default_chain()).plan(take, silence), take)[0].write(
            tmp_path / f"out-{times}.wav", overwrite=False, protect=[]
        )
        most.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert soundfile.info(tmp_path / f"out-{times}.wav").frames == times * part.size
    print(f"most memory: {most[0] / 1e6:.1f} MB for 30 s, {most[1] / 1e6:.1f} MB for 2 min")
    # Three minutes' worth of samples more would be 12 MB for each copy of the take.
    assert most[1] < 1.25 * most[0] + 2e6


def five_gib(path: Path, size: int, rate_hz: int = 48_000) -> int:
    """Write an RF64 take of 64-bit floats: playing at both ends, a hole of zeros between them.

    Returns its frames.
    """
    playing = (notes(60, rate_hz) + hum(60, rate_hz) + hiss(60, 1, rate_hz)).astype("<f8")
    frames = size // 8
    form = chunk(b"fmt ", struct.pack("<HHIIHH", 3, 1, rate_hz, 8 * rate_hz, 8, 64))
    sizes = struct.pack("<QQQI", 4 + 36 + len(form) + 8 + 8 * frames, 8 * frames, frames, 0)
    with path.open("wb") as file:
        file.write(b"RF64" + b"\xff" * 4 + b"WAVE" + chunk(b"ds64", sizes) + form)
        file.write(b"data" + b"\xff" * 4 + playing.tobytes())
        file.seek(8 * frames - 2 * playing.nbytes, 1)
        file.write(playing.tobytes())
    return frames


@pytest.mark.long
@pytest.mark.parametrize("gib", [0.1, 5])
def test_fault_39_five_gib_through_the_default_chain(tmp_path: Path, gib: float) -> None:
    """A quarter of an hour to more than one; and a fiftieth of it, for the memory to compare."""
    frames = five_gib(tmp_path / "take.wav", int(gib * 2**30))
    silence = hum(10, 48_000) + hiss(10, 2, 48_000)
    soundfile.write(tmp_path / "silence.wav", silence, 48_000, subtype="FLOAT")
    words = ["clean", "take.wav", "--silence", "silence.wav", "--out", "out.wav"]
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, *words],
        cwd=tmp_path, capture_output=True, text=True,
    )  # fmt: skip
    print(done.stdout)
    code, most, seconds = done.stdout.rsplit("measured ", 1)[1].split()
    assert code == "0", done.stderr
    print(f"{gib} GiB, {frames} frames: {int(most) / 1e6:.0f} MB at most, {seconds} s")
    out = open_source(tmp_path / "out.wav")
    assert (out.frames, out.container, out.subtype) == (frames, "RF64", "DOUBLE")
    assert not out.read(frames // 2, frames // 2 + 1000).any()
    assert out.read(frames - 48_000 * 30, frames).any()
    assert int(most) < 1.2e9
