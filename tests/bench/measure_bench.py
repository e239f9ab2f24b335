"""What `measure` finds on generated builds, against what went into them.

Run by hand: ``python -m tests.bench.measure_bench [KIND [TRIALS [PROCESSES]]]``, all kinds where
none is named. Each replaces its rows in measure.md beside itself, time and truth in each.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.measure.bands import bands
from cleanchain.measure.build import BuildReport, measure_build
from cleanchain.measure.levels import Estimates, measure_levels
from tests.generated_builds import (
    Build,
    band_truth,
    db,
    listening,
    louder,
    noise,
    played,
    played_density,
    silence,
    usable_from_truth,
)

#: Trials of each kind.
TRIALS = {"levels": 100, "gain": 210, "control": 200, "frames": 4, "cover": 2000}
#: Lengths of their captures, s; rate of those whose intervals are counted, Hz.
BUILD_S, GAIN_S, CONTROL_S, FRAMES_S, COVER_S, COVER_HZ = 20.0, 8.0, 10.0, 600.0, 4.0, 8000
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


def hum_bound_db(build: Build, seconds: float) -> float:
    """Least standard deviation that any estimate of the hum's level can have, dB.

    Amplitudes of lines at known frequencies have variances of at least 2 sigma^2 / N (Kay 1993,
    Fundamentals of Statistical Signal Processing, vol. 1, example 3.14), which is the one-sided
    density of the hiss over the length; their frequencies do not couple with them.
    """
    lines = build.lines()
    density = build.hiss(np.array(list(lines)))
    power = np.array(list(lines.values()))
    return float(10 / np.log(10) * np.sqrt((2 * power * density / seconds).sum()) / power.sum())


def level_trial(rng: np.random.Generator, _: int) -> tuple[float, ...]:
    """Errors of hiss and hum in dB and of the mains in mHz, and whether the edge is right.

    That of the hum, where one is found, also where its bound leaves three standard deviations
    within 0.3 dB, in standard deviations of the bound, and whether it is found there.
    """
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
    bound_db = hum_bound_db(build, BUILD_S)
    hums = levels.hum_power > 0.0
    hum_db = db(levels.hum_power) - build.hum_dbfs if hums else np.nan
    return (
        db(levels.hiss_power) - build.hiss_dbfs,
        hum_db,
        hum_db if bound_db <= 0.1 else np.nan,
        hum_db / bound_db,
        hums if bound_db <= 0.1 else np.nan,
        1e3 * abs((levels.split.mains_hz or np.nan) - build.mains_hz),
        low - 1 <= place <= high + 1,
    )


#: Kinds of sets that the gain is tried on, in turn, and what is special about them.
GAIN_KINDS = (
    "any",
    "strong hum",
    "no hum",
    "red hiss",
    "blue hiss",
    "4 s",
    "3 dB over the interface",
)


def gain_build(rng: np.random.Generator, kind: str) -> tuple[Build, float]:
    """Draw a build of a kind, and how long it is recorded, s."""
    build = drawn(rng)
    hears_db = build.hears_db - build.hiss_dbfs
    if kind == "strong hum":
        build = replace(build, hiss_dbfs=rng.uniform(-92, -75), hum_dbfs=rng.uniform(-40, -25))
    elif kind == "no hum":
        build = replace(build, hum_dbfs=-np.inf)
    elif kind == "red hiss":
        build = replace(build, tilt_db=rng.uniform(-7, -4))
    elif kind == "blue hiss":
        build = replace(build, tilt_db=rng.uniform(2, 4))
    return replace(build, hears_db=build.hiss_dbfs + hears_db), 4.0 if kind == "4 s" else GAIN_S


def gain_check(report: BuildReport) -> float:
    """Return 1 where the gain is said to have moved, 0 where not, NaN where it cannot be told."""
    passed = next(check.passed for check in report.checks if check.check == "gain")
    return np.nan if passed is None else float(not passed)


def gain_trial(rng: np.random.Generator, number: int) -> tuple[float, ...]:
    """Moves of 1 dB found and false alarms, with and without the played noise; changed hum.

    What the interface adds behind its gain does not move with it: far below the floor of all
    kinds but one.
    """
    kind = GAIN_KINDS[number % len(GAIN_KINDS)]
    build, seconds = gain_build(rng, kind)
    under_db = 3.0 if kind == "3 dB over the interface" else rng.uniform(15, 40)
    behind = Build(hiss_dbfs=build.hiss_dbfs - under_db, hum_dbfs=-np.inf)

    def through(capture: Capture, gain_db: float = 0.0) -> Capture:
        wave = louder(capture, gain_db).samples
        return replace(capture, samples=wave + noise(rng, wave.shape[1], behind.hiss))

    stimulus = played(rng, seconds)
    quiet = through(silence(rng, build, seconds))
    listened = listening(rng, build, stimulus)
    moved = through(listened, float(rng.choice([-1.0, 1.0])))
    heard = through(listened)
    closed = silence(rng, behind, seconds)

    def said_of(capture: Capture, known: Capture | None) -> float:
        captures = {"silence": quiet, "stimulus": capture, "interface": closed}
        return gain_check(measure_build(captures, known))

    said = [
        said_of(capture, known)
        for capture, known in ((moved, stimulus), (heard, stimulus), (moved, None), (heard, None))
    ]
    more_hum = np.nan
    if number % 3 == 0:
        other = replace(build, hum_dbfs=build.hum_dbfs + 3.0)
        capture = through(listening(rng, other, stimulus))
        more_hum = said_of(capture, stimulus)
    each = [said[0] if kind == one else np.nan for one in GAIN_KINDS]
    wrong = [said[1] if kind == one else np.nan for one in GAIN_KINDS]
    return (*said, more_hum, *each, *wrong)


def control_trial(rng: np.random.Generator, _: int) -> tuple[bool, bool]:
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


def frames_trial(rng: np.random.Generator, _: int) -> tuple[float, ...]:
    """Largest differences of a third octave's level by frames of 4096, 65 536 and 131 072."""
    build = drawn(rng)
    capture = silence(rng, build, FRAMES_S)
    power = [
        measure_levels(capture, frame_frames=frame).band_power.power
        for frame in (4096, 65_536, 131_072)
    ]
    # A third octave at the ends of the hiss, 20 Hz and 20 kHz, is cut by a cliff that no build has.
    apart = 10 * np.log10(np.array(power) / power[1])[:, 1:-1]
    return float(np.abs(apart[0]).max()), float(np.abs(apart[2]).max())


def cover_trial(rng: np.random.Generator, number: int) -> tuple[float, float, float]:
    """Shares of third octaves, by hiss and by all, and of hum lines in their 95 % intervals."""
    tilt_db, hum_db = rng.uniform(-4, 2), rng.uniform(-10, 30) if number % 2 else -300.0
    frames = round(COVER_S * COVER_HZ)
    hz = np.arange(frames // 2 + 1) * COVER_HZ / frames
    density = 1e-9 * 10 ** (tilt_db * np.log2(np.maximum(hz, 1.0) / 1000) / 10)
    spectrum = np.fft.rfft(rng.standard_normal(frames)) * np.sqrt(density * COVER_HZ / 2)
    t = np.arange(frames) / COVER_HZ
    mains_hz = rng.choice([50, 60]) + rng.uniform(-0.1, 0.1)
    power = 10 ** (hum_db / 10) * 1e-9 / np.array([1.0, 4.0, 25.0])
    turns = np.multiply.outer(2 * np.pi * mains_hz * np.array([1, 3, 5]), t)
    lines = np.sqrt(2 * power) @ np.cos(turns + rng.uniform(0, 6.3, (3, 1)))
    levels = measure_levels(Capture(np.fft.irfft(spectrum, frames) + lines, COVER_HZ))

    def inside(estimates: Estimates) -> np.ndarray:
        low, high = estimates.interval()
        return (low <= truth) & (truth <= high)

    edges = [np.linspace(band.low_hz, band.high_hz, 501) for band in levels.bands]
    middle = [(edge[1:] + edge[:-1]) / 2 for edge in edges]
    truth = np.array(
        [
            (1e-9 * 10 ** (tilt_db * np.log2(at / 1000) / 10) * np.diff(edge)).sum()
            for at, edge in zip(middle, edges, strict=True)
        ]
    )
    hiss = inside(levels.band_hiss).mean()
    for line, strength in zip(mains_hz * np.array([1, 3, 5]), power, strict=True):
        for place, band in enumerate(levels.bands):
            truth[place] += strength * (band.low_hz <= line < band.high_hz)
    strengths = dict(zip((1, 3, 5), power, strict=True))
    told = [
        abs(line.power - strengths[line.harmonic]) <= 1.96 * line.sd
        for line in levels.split.harmonics
        if line.harmonic in strengths
    ]
    lines_in = float(np.mean(told)) if told else np.nan
    return float(hiss), float(inside(levels.band_power).mean()), lines_in


def one(kind: str, seed: int) -> tuple[tuple[float, ...], float]:
    """Run one trial; its numbers and its processor time, s."""
    started = time.process_time()
    row = KINDS[kind][0](np.random.default_rng([ord(kind[0]), seed]), seed)
    return row, time.process_time() - started


def run(kind: str, count: int, processes: int = 1) -> None:
    """Run the trials of one kind and write its rows."""
    rows, seconds = [], 0.0
    with ProcessPoolExecutor(processes) as pool:
        for seed, (row, took) in enumerate(pool.map(one, [kind] * count, range(count))):
            rows.append(row)
            seconds += took
            if kind != "cover":
                print(kind, seed, np.round(np.array(row, dtype=float), 3).tolist(), flush=True)
    write(kind, np.array(rows, dtype=float), seconds / count)


def write(kind: str, rows: np.ndarray, seconds: float) -> None:
    """Replace the rows of one kind in the table."""
    lines = TABLE.read_text(encoding="utf-8").splitlines() if TABLE.exists() else list(HEAD)
    for column, (what, bar, tell) in enumerate(KINDS[kind][1]):
        known = rows[~np.isnan(rows[:, column]), column]
        text = f"| {what} | {tell(known)} | {bar} | {known.size} | {seconds:.2f} |"
        at = [place for place, line in enumerate(lines) if line.startswith(f"| {what} |")]
        if at:
            lines[at[0]] = text
        else:
            lines.append(text)
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _share(flags: np.ndarray) -> str:
    return f"{100 * flags.mean():.1f} %"


def _largest(unit: str) -> Callable[[np.ndarray], str]:
    return lambda errors: f"{np.abs(errors).max():.2f} {unit}"


def _rms(errors: np.ndarray) -> str:
    return f"{np.sqrt(np.mean(errors**2)):.2f}"


TABLE = Path(__file__).with_name("measure.md")
HEAD = (
    "# Measure",
    "",
    "Generated builds: hiss -92 to -52 dBFS of -4 to +2 dB an octave, hum -78 to -38 dBFS at 50 or "
    "60 Hz with six harmonics, corners from 40 Hz to 2 kHz, the noise heard 5 to 35 dB over the "
    f"hiss. Captures of {BUILD_S:g} s for levels, {GAIN_S:g} s for the gain, {CONTROL_S:g} s for "
    f"the control, {FRAMES_S:g} s for frame lengths, {COVER_S:g} s at {COVER_HZ} Hz for intervals. "
    "Trials in which a thing cannot be told are not counted: without hum and without the played "
    "noise known nothing tells of the gain. Seconds are of processor time a trial, the making of "
    "its captures included. Written by measure_bench.py.",
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
            ("hum, largest error where its bound is 0.1 dB or less", "0.3 dB", _largest("dB")),
            ("hum, rms error over the Cramér-Rao bound", "1 is the least", _rms),
            ("hum found where its bound is 0.1 dB or less", "all", _share),
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
            *((f"gain moved by 1 dB, noise known, {one}", "95 %", _share) for one in GAIN_KINDS),
            *((f"gain left alone, false alarms, {one}", "1 %", _share) for one in GAIN_KINDS),
        ),
    ),
    "control": (
        control_trial,
        (
            ("live, 10 dB under its floor, told from dead", "95 %", _share),
            ("dead, said to live", "1 %", _share),
        ),
    ),
    "frames": (
        frames_trial,
        (
            ("4096 against 65 536 frames (short ones are raised)", "0.2 dB", _largest("dB")),
            ("131 072 against 65 536 frames", "0.2 dB", _largest("dB")),
        ),
    ),
    "cover": (
        cover_trial,
        (
            ("95 % intervals of a third octave's hiss cover", "93 to 97 %", _share),
            ("95 % intervals of a third octave's whole power cover", "93 to 97 %", _share),
            ("95 % intervals of hum lines cover, where they are found", "93 to 97 %", _share),
        ),
    ),
}


def main() -> None:
    """Run what the command line names."""
    words = sys.argv[1:]
    for kind in words[:1] or KINDS:
        numbers = [int(word) for word in words[1:3]] or [TRIALS[kind]]
        run(kind, *numbers)


if __name__ == "__main__":
    main()
