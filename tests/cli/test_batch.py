from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.presets.builds import RATE_HZ, build_noise, take_of


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Takes of one build, a preset for it, and what does not belong to it."""
    folder = tmp_path_factory.mktemp("batch")
    noise = build_noise(np.random.default_rng(3), 4.0)
    soundfile.write(folder / "silence.wav", noise, RATE_HZ, "PCM_24")
    for n in range(3):
        samples = take_of(n).samples[0, : 5 * RATE_HZ] * 0.9**n
        soundfile.write(folder / f"t{n}.wav", samples, RATE_HZ, "PCM_24")
    soundfile.write(folder / "moved.wav", 3 * samples, RATE_HZ, "PCM_24")
    (folder / "bad.wav").write_text("not audio")
    call(folder, "tune", "silence.wav", "--save", "disc")
    return folder


def call(folder: Path, *words: str, code: int = 0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "cleanchain", *words],
        cwd=folder,
        env={**os.environ, "XDG_DATA_HOME": str(folder / "data")},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done


TAKES = ("t0.wav", "t1.wav", "t2.wav")


@pytest.fixture(scope="module")
def first(made: Path) -> subprocess.CompletedProcess[str]:
    return call(
        made, "batch", "bad.wav", "moved.wav", *TAKES, "--preset", "disc", "--out-dir", "out",
        "--jobs", "2", code=1,
    )  # fmt: skip


def hashes(folder: Path) -> dict[str, bytes]:
    return {path.name: soundfile.read(path)[0].tobytes() for path in sorted(folder.glob("*.wav"))}


def test_one_bad_take_stops_nothing_and_the_worst_comes_first(first: Any, made: Path) -> None:
    rows = [line.split()[:2] for line in first.stdout.splitlines() if ".wav " in line]
    assert rows[0] == ["bad.wav", "failed"]
    assert ["moved.wav", "refused"] in rows
    assert first.stdout.rstrip().endswith("1 failed, 1 refused, 3 done")
    assert sorted(hashes(made / "out")) == sorted(TAKES)
    assert "[5/5]" in first.stderr


def test_resumed_it_does_nothing_twice(first: Any, made: Path) -> None:
    shutil.copytree(made / "out", made / "again")
    journal = (made / "again/cleanchain-batch.jsonl").read_text().replace("/out/", "/again/")
    (made / "again/cleanchain-batch.jsonl").write_text(journal)
    (made / "again/t1.wav").unlink()  # as if it had been stopped before this one
    damaged = bytearray((made / "again/t2.wav").read_bytes())
    damaged[5000] ^= 0x55
    (made / "again/t2.wav").write_bytes(damaged)
    stamp = (made / "again/t0.wav").stat().st_mtime_ns
    words = ["batch", *TAKES, "--preset", "disc", "--out-dir", "again"]
    call(made, *words, code=5)
    done = call(made, *words, "--resume")
    assert done.stdout.rstrip().endswith("2 done, 1 kept") or "1 kept, 2 done" in done.stdout
    assert (made / "again/t0.wav").stat().st_mtime_ns == stamp
    assert hashes(made / "again") == hashes(made / "out")


def test_one_job_at_a_time_gives_the_same_samples(first: Any, made: Path) -> None:
    call(made, "batch", *TAKES[:2], "--preset", "disc", "--out-dir", "one", "--jobs", "1")
    one, two = hashes(made / "one"), hashes(made / "out")
    assert all(one[name] == two[name] for name in one)


def test_a_common_gain_keeps_the_balance(first: Any, made: Path) -> None:
    done = call(made, "batch", *TAKES, "--preset", "disc", "--out-dir", "common", "--common-gain")
    assert "common gain: " in done.stdout
    levels = [np.sqrt(np.mean(soundfile.read(made / f"common/{name}")[0] ** 2)) for name in TAKES]
    before = [np.sqrt(np.mean(soundfile.read(made / name)[0] ** 2)) for name in TAKES]
    gains_db = 20 * np.log10(np.array(levels) / np.array(before))
    assert np.ptp(gains_db) < 0.3  # the cleaning itself differs a little
    alone = [np.sqrt(np.mean(soundfile.read(made / f"out/{name}")[0] ** 2)) for name in TAKES]
    assert np.ptp(20 * np.log10(np.array(alone) / np.array(before))) > 1.0


@pytest.fixture
def running(made: Path) -> Iterator[subprocess.Popen[str]]:
    """A batch whose first take is done."""
    shutil.rmtree(made / "stopped", ignore_errors=True)
    with subprocess.Popen(
        [sys.executable, "-m", "cleanchain", "batch", *TAKES, "--preset", "disc",
         "--out-dir", "stopped", "--jobs", "1"],
        cwd=made,
        env={**os.environ, "XDG_DATA_HOME": str(made / "data")},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:  # fmt: skip
        assert process.stderr is not None
        assert "done" in process.stderr.readline()
        yield process
        process.kill()


def test_ctrl_c_keeps_what_is_done_and_leaves_no_process(
    running: subprocess.Popen[str], made: Path
) -> None:
    os.killpg(running.pid, signal.SIGINT)
    told = running.communicate(timeout=60)[1]
    assert running.returncode == 130
    assert "Traceback" not in told
    assert "go on with --resume" in told
    assert "t0.wav" in hashes(made / "stopped")
    deadline = time.monotonic() + 10
    while session_lives(running.pid) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not session_lives(running.pid)


def test_a_process_that_is_killed_costs_no_other_take(
    running: subprocess.Popen[str], made: Path
) -> None:
    workers = session_lives(running.pid, "LokyProcess")
    assert workers
    for worker in workers:
        os.kill(worker, signal.SIGKILL)
    out, told = running.communicate(timeout=300)
    assert "Traceback" not in told
    assert out.rstrip().endswith("3 done")
    assert len(hashes(made / "stopped")) == 3


def test_a_batch_that_is_killed_leaves_no_process(
    running: subprocess.Popen[str], made: Path
) -> None:
    """Its processes would go on with what they had been given, while it is resumed."""
    running.kill()
    running.wait()
    deadline = time.monotonic() + 20
    while session_lives(running.pid, "LokyProcess") and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not session_lives(running.pid, "LokyProcess")


def session_lives(session: int, word: str = "") -> list[int]:
    """Processes of a session that run and have a word in their command line."""
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            stat = (path / "stat").read_text().rpartition(")")[2].split()
            command = (path / "cmdline").read_text()
        except OSError:
            continue
        if int(stat[3]) == session and stat[0] != "Z" and word in command:
            found.append(int(path.name))
    return found


@pytest.fixture
def cluster(made: Path, tmp_path: Path) -> Iterator[str]:
    """A scheduler and two workers on the loopback; its address."""
    card = tmp_path / "scheduler.json"
    more = ["--scheduler-file", str(card), "--no-dashboard"]
    tell = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    dask = [sys.executable, "-m", "dask"]
    started = [
        subprocess.Popen([*dask, "scheduler", "--host", "127.0.0.1", "--port", "0", *more], **tell)
    ]
    try:
        for _ in range(2):
            words = ["worker", "--host", "127.0.0.1", "--nthreads", "1", "--no-nanny", *more]
            started.append(subprocess.Popen([*dask, *words], **tell))
        deadline = time.monotonic() + 60
        while not card.exists() or not card.read_text().rstrip().endswith("}"):
            assert time.monotonic() < deadline
            time.sleep(0.1)
        yield json.loads(card.read_text())["address"]
    finally:
        for process in started:
            process.kill()
        for process in started:
            process.wait()


@pytest.mark.skipif(find_spec("distributed") is None, reason="the extra cluster is not there")
def test_a_cluster_gives_the_same_samples(first: Any, made: Path, cluster: str) -> None:
    takes = ("bad.wav", "moved.wav", *TAKES)
    done = call(
        made, "batch", *takes, "--preset", "disc", "--out-dir", "far", "--cluster", cluster, code=1
    )
    assert done.stdout.rstrip().endswith("1 failed, 1 refused, 3 done")
    assert hashes(made / "far") == hashes(made / "out")


@pytest.mark.skipif(find_spec("distributed") is None, reason="the extra cluster is not there")
def test_a_scheduler_that_does_not_answer_is_told(made: Path) -> None:
    done = call(
        made, "batch", "t0.wav", "--preset", "disc", "--out-dir", "never", "--cluster",
        "tcp://127.0.0.1:9", code=3,
    )  # fmt: skip
    assert "no scheduler answers" in done.stderr
