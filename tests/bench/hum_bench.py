"""Hum stage against a fixed comb, an oracle and the Cramer-Rao bound.

``python -m tests.bench.hum_bench tests/bench/hum.md [EVERY [RUNS]]`` takes every so many of 432
cases (1: all) and so many runs of the frequency estimate.
"""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from joblib import Parallel, delayed

from cleanchain.audio.capture import Capture, collect
from cleanchain.operators.comb import Comb
from cleanchain.operators.planned import Planned
from cleanchain.stages.hum import Hum
from tests.bench.hum_cases import (
    KINDS,
    HumCase,
    Settings,
    all_settings,
    frequency_errors,
    make,
    oracle,
)
from tests.bench.mixes import RATE_HZ

COLUMNS = ("untouched", "2 Hz comb", "oracle", "track", "gain over comb", "reference")


def compare(case: HumCase) -> tuple[float, ...]:
    """Error of each way, dB re the signal."""
    take, silence = Capture(case.take, RATE_HZ), Capture(case.silence, RATE_HZ)
    comb = Comb.at(case.mains_hz, tuple(KINDS[case.kind]), 2.0, RATE_HZ)
    combed = collect(Planned(take, comb)).samples[0]
    ours = Hum().plan(take, silence).apply(take)[0].samples[0]
    with tempfile.TemporaryDirectory() as folder:
        dummy = Path(folder) / "dummy.wav"
        soundfile.write(dummy, case.reference, RATE_HZ, subtype="DOUBLE")
        plan = Hum(reference=str(dummy)).plan(take, silence)
    along = plan.apply(take)[0].samples[0]
    errors = [case.error_db(wave) for wave in (case.take, combed, oracle(case), ours, along)]
    return (*errors[:4], errors[1] - errors[3], errors[4])


def compared(settings: Settings) -> tuple[HumCase, tuple[float, ...]]:
    """Make a case and compare; what comes back has no waves."""
    case = make(*settings)
    nothing = np.empty(0)
    waves = dict.fromkeys(("signal", "hum", "hiss", "silence", "reference"), nothing)
    return replace(case, **waves), compare(case)


def main() -> None:
    out = Path(sys.argv[1])
    every = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    runs = int(sys.argv[3]) if len(sys.argv) > 3 else 2000
    rows: list[tuple[HumCase, tuple[float, ...]]] = []
    with Parallel(n_jobs=2, return_as="generator") as work:
        for case, row in work(delayed(compared)(one) for one in all_settings(every)):
            rows.append((case, row))
            print(case.name, *(f"{value:.1f}" for value in row), flush=True)
        halves = list(
            work(delayed(frequency_errors)(part) for part in np.array_split(range(runs), 2))
        )
    table = np.array([row for _, row in rows])
    worse = sum(row[3] > row[0] for row in table)
    below = sum(row[4] < 15 for row in table)
    along_worse = sum(row[5] > row[0] for row in table)
    behind = sum(row[5] > row[3] + 0.5 for row in table)
    lines = [
        "# Hum",
        "",
        "Written by `python -m tests.bench.hum_bench`. Rendered instruments with generated hum and",
        "white hiss at -70 dBFS; the waveform is learned from a silence of 8 s whose mains have",
        "another phase and drift. Error of the output to signal and hiss, dB re the signal: the",
        "lower, the better. The comb knows the frequency and the harmonics; the oracle knows",
        "the hum's phase and waveform and fits its level in windows of a second. The reference is",
        "a dummy on the same mains, each harmonic up to 6 dB off, as noisy as the take.",
        "",
        f"{len(rows)} cases; worse than untouched: {worse}; less than 15 dB better than the comb: "
        f"{below}. With the reference: worse than untouched: {along_worse}; more than 0.5 dB "
        f"behind track alone: {behind}.",
        "",
        "| | cases | " + " | ".join(COLUMNS) + " |",
        "| --- |" + " ---: |" * (len(COLUMNS) + 1),
    ]
    groups: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    groups["all"] = [row for _, row in rows]
    for key in ("instrument", "kind", "drift_hz", "level_dbfs"):
        for case, row in rows:
            groups[f"{key.replace('_', ', ')} {getattr(case, key)}"].append(row)
    for name, members in groups.items():
        mean = " | ".join(f"{value:.1f}" for value in np.mean(members, axis=0))
        lines.append(f"| {name} | {len(members)} | {mean} |")
    worst = rows[int(np.argmax(table[:, 3] - table[:, 0]))]
    lines += ["", f"Least gained on untouched: {worst[0].name}, {worst[1][0]:.1f} to "
              f"{worst[1][3]:.1f} dB."]  # fmt: skip
    errors, bound = np.concatenate([half[0] for half in halves]), halves[0][1]
    ratio, bias = np.mean(np.square(errors)) / bound, 1000 * np.mean(errors)
    lines += [
        "",
        f"Mains frequency of a steady hum of four lines in white noise (4 kHz, 6 s, {runs} runs): "
        f"mean square error {ratio:.2f} times the joint Cramer-Rao bound, bias {bias:+.4f} mHz.",
        "",
    ]
    out.write_text("\n".join(lines), encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
