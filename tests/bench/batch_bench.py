"""Throughput and memory of a batch, by the number of jobs, in one run after another.

    python -m tests.bench.batch_bench [TAKES [SECONDS]]

writes batch.md beside itself: takes of drawn hiss and hum around a rendered harp, cleaned by a
preset with one job and with two. Memory is the highest resident set of any process of the batch.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.mixes import RATE_HZ, hiss, hum, render

HARMONICS = {1: 1.0, 2: 0.1, 3: 0.4, 5: 0.3}


def make(folder: Path, takes: int, seconds: float) -> None:
    """Write a silence and takes of one build."""
    rng = np.random.default_rng(1)

    def noise(frames: int) -> np.ndarray:
        wave = 0.002 * hiss("hump", frames, rng)
        return wave + 0.01 * hum(50.01, HARMONICS, frames, rng, 0.01)[0]

    soundfile.write(folder / "silence.wav", noise(10 * RATE_HZ), RATE_HZ, "PCM_24")
    phrase = np.concatenate([np.zeros(RATE_HZ), render("harp")])
    frames = int(seconds * RATE_HZ)
    for number in range(takes):
        music = np.resize(phrase, frames) * rng.uniform(0.5, 1.0)
        soundfile.write(folder / f"t{number:03d}.wav", music + noise(frames), RATE_HZ, "PCM_24")


def call(folder: Path, *words: str) -> tuple[float, float, float]:
    """Run a command; return seconds, seconds of processor time, and highest memory in MB."""
    start, before = time.perf_counter(), os.times()
    process = subprocess.Popen(
        [sys.executable, "-m", "cleanchain", *words],
        cwd=folder,
        env={**os.environ, "XDG_DATA_HOME": str(folder / "data")},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    peak = [0.0]
    watch = threading.Thread(target=_watch, args=(process, peak))
    watch.start()
    code = process.wait()
    watch.join()
    after = os.times()
    assert code == 0, words
    used = after.children_user + after.children_system - before.children_user
    return time.perf_counter() - start, used - before.children_system, peak[0]


def _watch(process: subprocess.Popen[bytes], peak: list[float]) -> None:
    while process.poll() is None:
        for path in Path("/proc").glob("[0-9]*"):
            try:
                if int((path / "stat").read_text().rpartition(")")[2].split()[3]) != process.pid:
                    continue
                lines = (path / "status").read_text().splitlines()
            except OSError:
                continue
            held = [int(line.split()[1]) / 1e3 for line in lines if line.startswith("VmHWM")]
            peak[0] = max([peak[0], *held])
        time.sleep(0.5)


def main() -> None:
    takes = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 30.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder, takes, seconds)
        call(folder, "tune", "silence.wav", "--save", "bench")
        names = sorted(path.name for path in folder.glob("t*.wav"))
        rows, hashes = [], []
        for count in ("1", "2"):
            out = f"out{count}"
            words = ["batch", *names, "--preset", "bench", "--out-dir", out, "--jobs", count]
            rows.append((count, *call(folder, *words)))
            print(rows[-1], flush=True)
            whole = [soundfile.read(folder / out / take)[0].tobytes() for take in names]
            hashes.append([hashlib.sha256(one).hexdigest() for one in whole])
        again = call(folder, *words, "--resume")
    ratio = rows[0][1] / rows[1][1]
    load = os.getloadavg()[2]
    lines = [
        "# Batch",
        "",
        f"{takes} takes of {seconds:g} s, mono, 48 kHz, {os.cpu_count()} cores, load {load:.1f} "
        "over a quarter of an hour (this batch and all else). Written by batch_bench.py.",
        "",
        f"Two jobs against one: {ratio:.2f} x. The same samples: "
        f"{'yes' if hashes[0] == hashes[1] else 'NO'}. Resumed with nothing to do: "
        f"{again[0]:.1f} s.",
        "",
        "| jobs | s | processor s a take | most memory of a process, MB |",
        "| ---: | ---: | ---: | ---: |",
        *(f"| {n} | {s:.0f} | {used / takes:.1f} | {mb:.0f} |" for n, s, used, mb in rows),
    ]
    Path(__file__).with_suffix("").with_name("batch.md").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
