"""Throughput, memory, resumption and Ctrl-C of a batch.

    python -m tests.bench.batch_bench [--takes N] [--seconds S] [--pairs N] [--short N] [--keys N]

writes batch.md beside itself. Takes are drawn hiss and hum around a rendered harp, twenty of them
over and over. One job and two jobs clean the same takes in turn, a part of them at a time and in
changing order, so that what else the machine does meets both alike. Then short takes: killed half
way and resumed, with one job, with two, and by a scheduler with two workers on the loopback. At
last Ctrl-C at moments drawn over the whole run.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.mixes import RATE_HZ, hiss, hum, render

HARMONICS = {1: 1.0, 2: 0.1, 3: 0.4, 5: 0.3}
DIFFERENT = 20
JOURNAL = "cleanchain-batch.jsonl"


def make(folder: Path, takes: int, seconds: float, prefix: str = "t") -> list[str]:
    """Write a silence and takes of one build; return the takes' names."""
    rng = np.random.default_rng(1)

    def noise(frames: int) -> np.ndarray:
        wave = 0.002 * hiss("hump", frames, rng)
        return wave + 0.01 * hum(50.01, HARMONICS, frames, rng, 0.01)[0]

    soundfile.write(folder / "silence.wav", noise(10 * RATE_HZ), RATE_HZ, "PCM_24")
    phrase = np.concatenate([np.zeros(RATE_HZ), render("harp")])
    frames = int(seconds * RATE_HZ)
    names = [f"{prefix}{number:03d}.wav" for number in range(takes)]
    for number, name in enumerate(names):
        if number < DIFFERENT:
            music = np.resize(phrase, frames) * rng.uniform(0.5, 1.0)
            soundfile.write(folder / name, music + noise(frames), RATE_HZ, "PCM_24")
        else:
            shutil.copyfile(folder / names[number % DIFFERENT], folder / name)
    return names


@dataclass
class Run:
    """A command that was run, and what its processes held meanwhile."""

    seconds: float = 0.0
    processor_s: float = 0.0
    code: int = 0
    told: str = ""
    #: When, and the resident set of the largest process then, MB.
    held: list[tuple[float, float]] = field(default_factory=list)

    def most_mb(self, first: float, last: float) -> float:
        """Largest resident set between two parts of the run."""
        end = self.held[-1][0]
        return max(mb for at, mb in self.held if first * end <= at <= last * end)


def begin(folder: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "cleanchain", *words],
        cwd=folder,
        env={
            **os.environ,
            "XDG_DATA_HOME": str(folder / "data"),
            "PYTHONPATH": str(Path(__file__).parents[2]),
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def call(folder: Path, *words: str) -> Run:
    """Run a command to its end."""
    run = Run()
    start, before = time.perf_counter(), os.times()
    process = begin(folder, *words)
    watch = threading.Thread(target=_watch, args=(process, run, start))
    watch.start()
    out, err = process.communicate()
    watch.join()
    after = os.times()
    run.code, run.told = process.returncode, out + err
    assert run.code == 0, run.told
    run.seconds = time.perf_counter() - start
    run.processor_s = after.children_user + after.children_system
    run.processor_s -= before.children_user + before.children_system
    return run


def _watch(process: subprocess.Popen[str], run: Run, start: float) -> None:
    while process.poll() is None:
        held = [_resident_mb(pid) for pid in session_of(process.pid)]
        run.held.append((time.perf_counter() - start, max(held, default=0.0)))
        time.sleep(0.2)


def _resident_mb(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    return max((int(x.split()[1]) / 1e3 for x in lines if x.startswith("VmRSS")), default=0.0)


def session_of(leader: int) -> list[int]:
    """Return the processes of a session that are alive."""
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            stat = (path / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(stat[3]) == leader and stat[0] != "Z":
            found.append(int(path.name))
    return found


def batch(names: list[str], out: str, *more: str) -> list[str]:
    return ["batch", *names, "--preset", "bench", "--out-dir", out, *more]


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(soundfile.read(path)[0].tobytes()).hexdigest()
        for path in sorted(folder.glob("*.wav"))
    }


def throughput(folder: Path, takes: int, seconds: float, pairs: int) -> list[str]:
    names = make(folder, takes, seconds)
    runs: dict[str, list[Run]] = {"1": [], "2": []}
    for pair, part in enumerate(np.array_split(names, pairs)):
        for count in ("1", "2") if pair % 2 == 0 else ("2", "1"):
            runs[count].append(call(folder, *batch(part.tolist(), f"o{count}", "--jobs", count)))
            print(f"pair {pair}, {count} job(s): {runs[count][-1].seconds:.1f} s", flush=True)
    alike = hashes(folder / "o1") == hashes(folder / "o2")
    ratios = sorted(
        one.seconds / two.seconds for one, two in zip(runs["1"], runs["2"], strict=True)
    )
    total = {count: sum(run.seconds for run in some) for count, some in runs.items()}
    used = {count: sum(run.processor_s for run in some) for count, some in runs.items()}
    long = [max(some, key=lambda run: run.seconds) for some in runs.values()]
    return [
        f"{takes} takes of {seconds:g} s, mono, 48 kHz, in {pairs} pairs of runs, {os.cpu_count()} "
        f"cores, load {os.getloadavg()[2]:.1f} over a quarter of an hour (this and all else).",
        "",
        f"Two jobs against one: {total['1'] / total['2']:.2f} x (pairs: {ratios[0]:.2f} to "
        f"{ratios[-1]:.2f}). The same samples: {'yes' if alike else 'NO'}.",
        "",
        "| jobs | s | processor s a take | cores used | MB, second quarter | MB, last quarter |",
        "| ---: | ---: | ---: | ---: | ---: | ---: |",
        *(
            f"| {count} | {total[count]:.0f} | {used[count] / takes:.1f} | "
            f"{used[count] / total[count]:.2f} | {run.most_mb(0.25, 0.5):.0f} | "
            f"{run.most_mb(0.75, 1.0):.0f} |"
            for count, run in zip(total, long, strict=True)
        ),
        "",
        "MB: the largest resident set of any of its processes, of the longest run.",
    ]


def done_lines(folder: Path) -> list[str]:
    path = folder / JOURNAL
    lines = path.read_text().splitlines() if path.exists() else []
    return [json.loads(line)["take"] for line in lines if '"status": "done"' in line]


def resumption(folder: Path, takes: int) -> list[str]:
    names = make(folder, takes, 3.0, "s")
    process = begin(folder, *batch(names, "killed", "--jobs", "2"))
    threading.Thread(target=process.communicate, daemon=True).start()
    while len(done_lines(folder / "killed")) < takes // 2 and process.poll() is None:
        time.sleep(0.05)
    process.kill()
    process.wait()
    killed = time.monotonic()
    while any("loky" in _command(pid) for pid in session_of(process.pid)):
        time.sleep(0.02)
    gone_s = time.monotonic() - killed
    before = done_lines(folder / "killed")
    stamps = {Path(t).name: (folder / "killed" / Path(t).name).stat().st_mtime_ns for t in before}
    there = len(list((folder / "killed").glob("*.wav")))
    call(folder, *batch(names, "killed", "--jobs", "2", "--resume"))
    lines = done_lines(folder / "killed")
    twice = len(lines) - len(set(lines))
    touched = sum((folder / "killed" / n).stat().st_mtime_ns != s for n, s in stamps.items())
    call(folder, *batch(names, "one", "--jobs", "1"))
    call(folder, *batch(names, "two", "--jobs", "2"))
    with cluster(folder) as address:
        call(folder, *batch(names, "far", "--cluster", address))
    want = hashes(folder / "one")
    same = {name: hashes(folder / name) == want for name in ("two", "far", "killed")}
    again = call(folder, *batch(names, "killed", "--resume"))
    return [
        f"{takes} takes of 3 s. Killed with {len(before)} told as done: its processes were gone "
        f"after {gone_s:.1f} s, {there - len(before)} more output(s) stood there. Resumed: "
        f"{twice} take(s) told as done twice, {touched} output(s) of the first run written again, "
        f"{len(set(lines))} done.",
        "",
        "The same samples as with one job: "
        + ", ".join(
            f"{word} {'yes' if same[name] else 'NO'}"
            for name, word in (("two", "two jobs"), ("far", "cluster"), ("killed", "resumed"))
        )
        + f". Resumed with nothing to do: {again.seconds:.1f} s.",
    ]


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text()
    except OSError:
        return ""


@contextmanager
def cluster(folder: Path) -> Iterator[str]:
    """Start a scheduler and two workers on the loopback; give its address."""
    card = folder / "scheduler.json"
    tell = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    tell["env"] = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    more = ["--scheduler-file", str(card), "--no-dashboard"]
    words = [["scheduler", "--host", "127.0.0.1", "--port", "0", *more]]
    words += [["worker", "--host", "127.0.0.1", "--nthreads", "1", "--no-nanny", *more]] * 2
    started = [subprocess.Popen([sys.executable, "-m", "dask", *each], **tell) for each in words]
    try:
        while not card.exists() or not card.read_text().rstrip().endswith("}"):
            time.sleep(0.1)
        yield json.loads(card.read_text())["address"]
    finally:
        for process in started:
            process.kill()
            process.wait()


def keys(folder: Path, presses: int) -> list[str]:
    names = make(folder, 6, 3.0, "k")
    whole_s = call(folder, *batch(names, "whole", "--jobs", "2")).seconds
    rng = np.random.default_rng(5)
    took, wrong, early = [], 0, 0
    for _ in range(presses):
        shutil.rmtree(folder / "keys", ignore_errors=True)
        process = begin(folder, *batch(names, "keys", "--jobs", "2"))
        try:
            process.wait(rng.uniform(0.1, 0.9 * whole_s))
        except subprocess.TimeoutExpired:
            start = time.perf_counter()
            os.killpg(process.pid, signal.SIGINT)
            process.wait()
            took.append(time.perf_counter() - start)
            out, err = process.communicate()
            parts = list((folder / "keys").glob(".*.part")) if (folder / "keys").exists() else []
            noise = any(word in out + err for word in ("Traceback", "Exception", "Warning"))
            if process.returncode != 130 or noise or parts:
                wrong += 1
                print(process.returncode, parts, out, err, flush=True)
        else:
            process.communicate()
            early += 1
    took.sort()
    return [
        f"Ctrl-C at {len(took)} moments over {whole_s:.0f} s ({early} came too late): it had ended "
        f"after {took[len(took) // 2]:.2f} s in the middle and {took[-1]:.2f} s at most; {wrong} "
        "ended with another code than 130, words of Python or files half written.",
    ]


def main() -> None:
    reader = argparse.ArgumentParser()
    for name, default in (("takes", 200), ("pairs", 5), ("short", 200), ("keys", 100)):
        reader.add_argument(f"--{name}", type=int, default=default)
    reader.add_argument("--seconds", type=float, default=30.0)
    asked = reader.parse_args()
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        # Whoever starts this in the background may have switched Ctrl-C off for all that it starts.
        signal.signal(signal.SIGINT, signal.default_int_handler)
    lines = ["# Batch", "", "Written by batch_bench.py."]
    for work, given in (
        (throughput, (asked.takes, asked.seconds, asked.pairs)),
        (resumption, (asked.short,)),
        (keys, (asked.keys,)),
    ):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            make(folder, 0, 3.0)
            call(folder, "tune", "silence.wav", "--save", "bench")
            lines += ["", *work(folder, *given)] if given[0] else []
            print("\n".join(lines), flush=True)
    Path(__file__).with_suffix("").with_name("batch.md").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
