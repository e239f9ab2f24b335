"""Speed of the loudness meter with true peak, beside pyloudnorm, which has none.

    OPENBLAS_NUM_THREADS=1 python -m tests.bench.loudness_bench [--together]

writes loudness.md beside itself: 300 s of mono at 48 kHz. Both are run in turn, so that what else
the machine does falls on both alike; the ratios are medians over the pairs, of the time on the wall
and of the processor's. `--together` measures the programmes at
the same time, each in a process of its own: done sooner, but only the ratios mean anything then.
The offset from pyloudnorm is the one that its coefficients explain
(tests/measure/test_loudness_peer.py); the true peak is compared on 20 s with that of the samples at
sixteen times the rate, by Fourier transform.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
from scipy.signal import resample

from cleanchain.audio.capture import Capture
from cleanchain.measure.loudness import Loudness, measure_loudness

RATE_HZ = 48_000
SECONDS = 300
PAIRS = 3
CHECKED_S = 20


def plucks(rng: np.random.Generator, n: np.ndarray) -> np.ndarray:
    """Some 1.3 notes a second of a plucked string, each with its own level, over a little hiss."""
    wave = 1e-3 * rng.standard_normal(n.size)
    seconds = np.arange(2 * RATE_HZ) / RATE_HZ
    for _ in range(4 * SECONDS // 3):
        start = int(rng.uniform(0, n.size - seconds.size))
        hz = 110 * 2 ** (rng.integers(0, 30) / 12)
        note = sum(
            np.exp(-seconds * (1 + h)) * np.sin(2 * np.pi * hz * h * seconds) / h
            for h in range(1, 13)
        )
        wave[start : start + seconds.size] += rng.uniform(0.03, 0.3) * note
    return 0.8 * wave / np.abs(wave).max()


PROGRAMMES: dict[str, Callable[[np.random.Generator, np.ndarray], np.ndarray]] = {
    "plucked notes": plucks,
    "white noise": lambda rng, n: 0.1 * rng.standard_normal(n.size),
    "steady 997 Hz": lambda rng, n: 0.5 * np.sin(2 * np.pi * 997 / RATE_HZ * n),
    "steady 17,123 Hz": lambda rng, n: 0.5 * np.sin(2 * np.pi * 17_123 / RATE_HZ * n),
}


def timed(work: Callable[[], Any]) -> tuple[float, float, Any]:
    """Seconds on the wall, seconds of processor, result."""
    wall, processor = time.perf_counter(), time.process_time()
    result = work()
    return time.perf_counter() - wall, time.process_time() - processor, result


def peak_error_db(wave: np.ndarray) -> float:
    part = wave[: CHECKED_S * RATE_HZ] * np.hanning(CHECKED_S * RATE_HZ)
    truth = 20 * np.log10(np.abs(resample(part, 16 * part.size)).max())
    found = measure_loudness(Capture(part, RATE_HZ)).true_peak_dbtp
    assert found is not None
    return float(found - truth)


def row(wave: np.ndarray) -> list[str]:
    take = Capture(wave, RATE_HZ)
    meter = pyloudnorm.Meter(RATE_HZ)
    ours, theirs = [], []
    found, lufs = measure_loudness(take), 0.0
    for _ in range(PAIRS):
        *times, found = timed(lambda: measure_loudness(take))
        ours.append(times)
        *times, lufs = timed(lambda: meter.integrated_loudness(wave))
        theirs.append(times)
    assert isinstance(found, Loudness)
    assert found.integrated_lufs is not None
    best, best_theirs = np.min(ours, axis=0), np.min(theirs, axis=0)
    ratio = np.median(np.array(theirs) / np.array(ours), axis=0)
    return [
        f"{best[0]:.3f}",
        f"{best[1]:.3f}",
        f"{SECONDS / best[0]:.0f}",
        f"{best_theirs[0]:.3f}",
        f"{ratio[0]:.1f}",
        f"{ratio[1]:.1f}",
        f"{found.integrated_lufs - lufs:+.3f}",
        f"{peak_error_db(wave):+.3f}",
    ]


HEADINGS = (
    "programme", "best s", "processor s", "times real time", "pyloudnorm s", "ratio, wall",
    "ratio, processor", "LU from pyloudnorm", "dB from true peak",
)  # fmt: skip


def measured(name: str) -> list[str]:
    cells = [name, *row(PROGRAMMES[name](np.random.default_rng(1), np.arange(SECONDS * RATE_HZ)))]
    print(cells, flush=True)
    return cells


def write(rows: list[list[str]], how: str) -> None:
    busy = os.getloadavg()[0]
    lines = [
        "# Loudness",
        "",
        f"{SECONDS} s of mono at 48 kHz, loudness and true peak, {os.cpu_count()} cores; "
        f"load of the whole machine in the last minute {busy:.1f}; programmes measured {how}. "
        "Written by loudness_bench.py.",
        "",
        "| " + " | ".join(HEADINGS) + " |",
        "| --- |" + " ---: |" * (len(HEADINGS) - 1),
        *("| " + " | ".join(cells) + " |" for cells in rows),
    ]
    Path(__file__).with_name("loudness.md").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    if "--together" in sys.argv:
        with ProcessPoolExecutor(len(PROGRAMMES)) as pool:
            write(list(pool.map(measured, PROGRAMMES)), "at the same time")
    else:
        write([measured(name) for name in PROGRAMMES], "one after the other")
