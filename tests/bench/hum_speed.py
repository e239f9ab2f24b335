"""Time and memory of the hum stage for takes of some lengths.

``python -m tests.bench.hum_speed tests/bench/hum_speed.md`` runs each length in a process of its
own. Times are of the processor (all threads), beside that of a real FFT of the same samples in
frames of 4096, measured in the same process: other work on the machine slows both.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import ReadableByRange, Samples
from cleanchain.operators import base as operators
from tests.bench.hum_cases import MIXED, ODD, cycles, waveform
from tests.bench.mixes import RATE_HZ, render

LENGTHS_S = (60, 300)
KINDS = {"odd, 9 lines": ODD, "mixed, 20 lines": MIXED}
#: Each time is the least of so many.
TIMES = 2


class Long(ReadableByRange):
    """A phrase again and again, with hum that wanders all along it."""

    name, rate_hz, channels = "long", RATE_HZ, 1

    def __init__(self, seconds: int, harmonics: dict[int, float], seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.frames = seconds * RATE_HZ
        phrase = render("steel guitar", 0, 12.0)
        self._loop = phrase + 1e-4 * rng.standard_normal(phrase.size)
        phase = cycles(50.02, 0.02, self.frames, rng)
        turns = np.random.default_rng(1).random(40)
        self.hum = (0.01 * waveform(phase, harmonics, turns)).astype(np.float32)

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (1, stop - start)."""
        at = np.arange(start, stop) % self._loop.size
        return (self._loop[at] + self.hum[start:stop])[None]


def least(work: Callable[[], object]) -> float:
    """Least processor time of a few runs, s."""
    times = []
    for _ in range(TIMES):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return min(times)


def measure(seconds: int, kind: str) -> dict[str, float]:
    """Measure one length."""
    from cleanchain.stages import hum
    from cleanchain.stages.hum import Hum

    take = Long(seconds, KINDS[kind], 2)
    held = Capture(take.read(0, take.frames), RATE_HZ)
    still = Long(8, KINDS[kind], 3)
    hiss = 1e-4 * np.random.default_rng(4).standard_normal(still.frames)
    silence = Capture(still.hum.astype(float) + hiss, RATE_HZ)

    def planned() -> object:
        hum._LEARNED = type(hum._LEARNED)()
        return Hum().plan(held, silence)

    plan = Hum().plan(held, silence)

    def run() -> None:
        for _ in operators.run(plan.operator, held, single=True):
            pass

    def transform() -> None:
        for block in held.blocks(1 << 18):
            np.fft.rfft(block[0, : block.shape[1] // 4096 * 4096].reshape(-1, 4096))

    times = {"plan": least(planned), "run": least(run), "fft": least(transform)}
    tracemalloc.start()
    planned()
    run()
    return {**times, "more_mb": tracemalloc.get_traced_memory()[1] / 2**20}


def main() -> None:
    if len(sys.argv) > 2:
        print(json.dumps(measure(int(sys.argv[1]), sys.argv[2])))
        return
    lines = [
        "# Speed of hum",
        "",
        "Written by `python -m tests.bench.hum_speed`. Mono, 48 kHz, silence of 8 s, run in single",
        f"precision as a take is; processor seconds, the least of {TIMES}; the FFT is of the same",
        "samples in frames of 4096. Memory: the most that planning and running hold beyond it.",
        "",
        "| hum | take | plan s | run s | x real time | FFT s | (plan + run) / FFT | MB |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for kind in KINDS:
        for seconds in LENGTHS_S:
            words = [sys.executable, "-m", "tests.bench.hum_speed", str(seconds), kind]
            done = subprocess.run(words, check=True, capture_output=True, text=True)
            one = json.loads(done.stdout)
            both = one["plan"] + one["run"]
            lines.append(
                f"| {kind} | {seconds} s | {one['plan']:.2f} | {one['run']:.2f} | "
                f"{seconds / both:.0f} | {one['fft']:.2f} | {both / one['fft']:.2f} | "
                f"{one['more_mb']:.0f} |"
            )
            print(lines[-1], flush=True)
    Path(sys.argv[1]).write_text("\n".join([*lines, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
