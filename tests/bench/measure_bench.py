"""What `measure` finds on generated builds, against what went into them.

Run by hand: ``python -m tests.bench.measure_bench [levels|gain|control [trials]]``, all of them
where none is named. Each replaces its rows in measure.md beside itself, time and truth in each.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from cleanchain.measure.bands import bands
from cleanchain.measure.build import BuildReport, measure_build
from tests.generated_builds import (
    Build,
    band_truth,
    db,
    listening,
    louder,
    played,
    played_density,
    silence,
    usable_from_truth,
)

#: Trials of each kind.
TRIALS = {"levels": 24, "gain": 120, "control": 60}
#: Lengths of their captures, s.
BUILD_S, GAIN_S, CONTROL_S = 20.0, 8.0, 10.0
NOTHING_DB = -300.0


def drawn(rng: np.random.Generator) -> Build:
    """Draw a build: hiss, tilt, hum with six harmonics, corner, and a sensitivity."""
    numbers = rng.choice(np.arange(2, 16), 5, replace=False)
    build = Build(
        hiss_dbfs=rng.uniform(-92, -52),
        tilt_db=rng.uniform(-4, 2),
        hum_dbfs=rng.uniform(-78, -38),
        harmonics={1: 1.0} | {int(h): rng.uniform(0.05, 1) / h**0.5 for h in numbers},
        mains_hz=float(rng.choice([50, 60]) + rng.uniform(-0.1, 0.1)),
        corner_hz=float(np.exp(rng.uniform(np.log(40), np.log(2000)))),
    )
    return replace(build, hears_db=build.hiss_dbfs + 30 + rng.uniform(5, 35))


def at_level(build: Build, level_dbfs: float) -> Build:
    """Make all that is heard of the played noise come to a level."""
    build = replace(build, hears_db=0.0)
    heard = sum(
        band_truth(lambda hz: played_density(hz) * build.hears(hz) ** 2, band) for band in bands()
    )
    return replace(build, hears_db=level_dbfs - db(heard))


def level_trial(rng: np.random.Generator) -> tuple[float, float, float, bool]:
    """Errors of hiss and hum in dB and of the mains in mHz, and whether the edge is right."""
    build = drawn(rng)
    stimulus = played(rng, BUILD_S)
    report = measure_build(
        {"silence": silence(rng, build, BUILD_S), "stimulus": listening(rng, build, stimulus)},
        stimulus,
    )
    levels, hearing = report.silence, report.hearing
    assert hearing is not None
    found = hearing.usable_from()
    place = len(hearing.bands) if found is None else hearing.bands.index(found)
    # Where a band's true ratio lies within half a dB of the margin, either answer is right.
    low, high = (usable_from_truth(build, margin) for margin in (5.5, 6.5))
    return (
        db(levels.hiss_power) - build.hiss_dbfs,
        db(max(levels.hum_power, 1e-20)) - build.hum_dbfs,
        1e3 * abs((levels.split.mains_hz or 0.0) - build.mains_hz),
        low - 1 <= place <= high + 1,
    )


def gain_check(report: BuildReport) -> float:
    """Return 1 where the gain is said to have moved, 0 where not, NaN where it cannot be told."""
    passed = next(check.passed for check in report.checks if check.check == "gain")
    return np.nan if passed is None else float(not passed)


def gain_trial(rng: np.random.Generator) -> tuple[float, ...]:
    """Moves of 1 dB found and false alarms, with and without the played noise; changed hum."""
    build = drawn(rng)
    stimulus = played(rng, GAIN_S)
    quiet, heard = silence(rng, build, GAIN_S), listening(rng, build, stimulus)
    moved = louder(heard, float(rng.choice([-1.0, 1.0])))
    other = replace(build, hum_dbfs=build.hum_dbfs + 3.0)
    more_hum = listening(rng, other, stimulus)
    said = [
        gain_check(measure_build({"silence": quiet, "stimulus": capture}, known))
        for capture, known in (
            (moved, stimulus),
            (heard, stimulus),
            (moved, None),
            (heard, None),
            (more_hum, stimulus),
        )
    ]
    return tuple(said)


def control_trial(rng: np.random.Generator) -> tuple[bool, bool]:
    """Whether a build 10 dB under its floor, and a dead one, hear more than the control."""
    live = drawn(rng)
    live = at_level(live, live.hiss_dbfs - 10)
    dead = replace(live, hears_db=NOTHING_DB)
    control = replace(dead, hum_dbfs=dead.hum_dbfs - 15, hiss_dbfs=dead.hiss_dbfs - 5)
    stimulus = played(rng, CONTROL_S)
    rest = {
        "silence": silence(rng, live, CONTROL_S),
        "control": silence(rng, control, CONTROL_S),
        "control_stimulus": listening(rng, control, stimulus),
    }
    first, second = (
        measure_build({**rest, "stimulus": listening(rng, build, stimulus)}, stimulus)
        for build in (live, dead)
    )
    return first.hears_more_than_control is True, second.hears_more_than_control is True


def run(kind: str, count: int) -> None:
    """Run the trials of one kind and write its rows."""
    trial = KINDS[kind][0]
    started = time.process_time()
    rows = []
    for seed in range(count):
        rows.append(trial(np.random.default_rng([ord(kind[0]), seed])))
        print(kind, seed, np.round(np.array(rows[-1], dtype=float), 3), flush=True)
    seconds = (time.process_time() - started) / count
    write(kind, np.array(rows, dtype=float), seconds)


def write(kind: str, rows: np.ndarray, seconds: float) -> None:
    """Replace the rows of one kind in the table."""
    lines = TABLE.read_text(encoding="utf-8").splitlines() if TABLE.exists() else list(HEAD)
    for column, (what, bar, tell) in enumerate(KINDS[kind][1]):
        text = f"| {what} | {tell(rows[:, column])} | {bar} | {len(rows)} | {seconds:.1f} |"
        at = [place for place, line in enumerate(lines) if line.startswith(f"| {what} |")]
        if at:
            lines[at[0]] = text
        else:
            lines.append(text)
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _share(flags: np.ndarray) -> str:
    known = flags[~np.isnan(flags)]
    told = "" if known.size == flags.size else f" of the {known.size} that can be told"
    return f"{100 * known.mean():.1f} %{told}"


def _largest(unit: str) -> Callable[[np.ndarray], str]:
    return lambda errors: f"{np.abs(errors).max():.2f} {unit}"


TABLE = Path(__file__).with_name("measure.md")
HEAD = (
    "# Measure",
    "",
    "Generated builds: hiss -92 to -52 dBFS of -4 to +2 dB an octave, hum -78 to -38 dBFS at 50 or "
    "60 Hz with six harmonics, corners from 40 Hz to 2 kHz, the noise heard 5 to 35 dB over the "
    f"hiss. Captures of {BUILD_S:g} s for levels, {GAIN_S:g} s for the gain, {CONTROL_S:g} s for "
    "the control. Seconds are of processor time a trial, the making of its captures included. "
    "Written by measure_bench.py.",
    "",
    "| what | found | bar | trials | s |",
    "| --- | ---: | ---: | ---: | ---: |",
)
#: What is tried, and what its columns are: words, bar, how the column is told.
KINDS: dict[str, tuple[Callable[..., tuple[float, ...]], tuple[Any, ...]]] = {
    "levels": (
        level_trial,
        (
            ("hiss, largest error", "0.3 dB", _largest("dB")),
            ("hum, largest error", "0.3 dB", _largest("dB")),
            ("mains, largest error", "none set", _largest("mHz")),
            ("usable edge within a third octave", "all", _share),
        ),
    ),
    "gain": (
        gain_trial,
        (
            ("gain moved by 1 dB, noise known", "95 %", _share),
            ("gain left alone, noise known, false alarms", "1 %", _share),
            ("gain moved by 1 dB, noise not known", "95 %", _share),
            ("gain left alone, noise not known, false alarms", "1 %", _share),
            ("gain left alone, hum 3 dB up, false alarms", "none set", _share),
        ),
    ),
    "control": (
        control_trial,
        (
            ("live, 10 dB under its floor, told from dead", "95 %", _share),
            ("dead, said to live", "1 %", _share),
        ),
    ),
}


def main() -> None:
    """Run what the command line names."""
    words = sys.argv[1:]
    for kind in words[:1] or KINDS:
        run(kind, int(words[1]) if len(words) > 1 else TRIALS[kind])


if __name__ == "__main__":
    main()
