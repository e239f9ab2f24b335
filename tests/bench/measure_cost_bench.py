"""What a measurement costs: processor time of a set of captures, and memory for an hour of them.

Run by hand: ``python -m tests.bench.measure_cost_bench``; it writes measure_cost.md beside itself.
The reference is the least that could be done with the same files: each read once, and its averaged
periodogram by scipy.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import scipy.signal
import soundfile

from cleanchain.audio.files import open_source
from cleanchain.measure.build import Role, measure_build
from tests.generated_builds import RATE_HZ, Build, listening, louder, played, silence

TABLE = Path(__file__).with_name("measure_cost.md")
SHORT_S, BLOCK_S, HOUR_S, RUNS = 30.0, 60.0, 3600.0, 5
FILES: dict[Role, str] = {
    "silence": "silence.wav",
    "interface": "interface.wav",
    "control": "control.wav",
    "stimulus": "stimulus.wav",
    "control_stimulus": "control_stimulus.wav",
}


def write_set(folder: Path, seconds: float) -> None:
    """Write a set of captures of 24 bits; a long one repeats what it holds every minute."""
    rng = np.random.default_rng(1)
    build = Build()
    control = Build(hiss_dbfs=-66.0, hum_dbfs=-65.0, hears_db=-300.0)
    part = min(BLOCK_S, seconds)
    stimulus = played(rng, part)
    waves = {
        "played.wav": stimulus,
        FILES["silence"]: silence(rng, build, part),
        FILES["interface"]: louder(silence(rng, control, part), -20.0),
        FILES["control"]: silence(rng, control, part),
        FILES["stimulus"]: listening(rng, build, stimulus, lead_s=0.0),
        FILES["control_stimulus"]: listening(rng, control, stimulus, lead_s=0.0),
    }
    for name, wave in waves.items():
        with soundfile.SoundFile(folder / name, "w", RATE_HZ, 1, "PCM_24") as file:
            for _ in range(round(seconds / part)):
                file.write(wave.samples[0])


def measure(folder: Path) -> None:
    """Measure a set."""
    captures = {role: open_source(folder / name) for role, name in FILES.items()}
    report = measure_build(captures, open_source(folder / "played.wav"))
    assert report.hears_more_than_control is True


def reference(folder: Path) -> None:
    """Read every file and average its periodograms."""
    for name in ("played.wav", *FILES.values()):
        wave, _ = soundfile.read(folder / name)
        scipy.signal.welch(wave, RATE_HZ, nperseg=65_536)


def seconds_of(work: object, folder: Path) -> float:
    """Return the processor time of a call, s."""
    assert callable(work)
    started = time.process_time()
    work(folder)
    return time.process_time() - started


def alone(folder: Path) -> tuple[float, float]:
    """Return processor seconds and most memory in MB of a process that measures one set."""
    words = [sys.executable, "-m", "tests.bench.measure_cost_bench", str(folder)]
    told = subprocess.run(words, check=True, capture_output=True, text=True).stdout.split()
    return float(told[0]), float(told[1])


def main() -> None:
    """Measure time and memory, and write the table; with a folder, measure what is in it."""
    if len(sys.argv) > 1:
        took_s = seconds_of(measure, Path(sys.argv[1]))
        print(took_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_set(folder, SHORT_S)
        measure(folder)
        reference(folder)
        pairs = [(seconds_of(measure, folder), seconds_of(reference, folder)) for _ in range(RUNS)]
        mine, least = np.median(pairs, axis=0)
        _, short_mb = alone(folder)
        write_set(folder, HOUR_S)
        hour_s, hour_mb = alone(folder)
    lines = [
        "# Cost of a measurement",
        "",
        "Silence, interface, dead control, build and control hearing a played noise, and the "
        "noise: six files of 24 bits at 48 kHz. Processor time after start-up, both cores "
        f"together, median of {RUNS}; the reference reads each file and averages its periodograms, "
        "in the same run. Written by measure_cost_bench.py.",
        "",
        "| set of | processor s | reference s | ratio | peak memory, MB |",
        "| --- | ---: | ---: | ---: | ---: |",
        f"| {SHORT_S:.0f} s | {mine:.2f} | {least:.2f} | {mine / least:.1f} | {short_mb:.0f} |",
        f"| an hour | {hour_s:.0f} | - | - | {hour_mb:.0f} |",
    ]
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
