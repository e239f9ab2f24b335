"""The gate beside noisereduce, on mixtures with known truth.

    python -m tests.bench.gate_bench

writes gate.md beside itself: for each case the gain in scale-invariant signal-to-distortion ratio
(Le Roux et al. 2019) over the untouched mixture, and the seconds it took. "best of 12" takes, for
each case apart and with the truth at hand, the best of twelve settings of noisereduce's
stationary gate; the oracle is the Wiener mask of the true parts on frames of 4096 / 1024.
"""

from __future__ import annotations

import itertools
import time
from pathlib import Path

import noisereduce
import numpy as np

from cleanchain.account import Parts, account
from cleanchain.audio.capture import Capture
from cleanchain.chain import Chain
from cleanchain.operators.short_time import Frames
from cleanchain.stages.gate import Gate
from tests.bench.mixes import HISSES, RATE_HZ, Mix, Wave, mix, si_sdr_db

INSTRUMENTS = ("nylon guitar", "bass", "violin", "cello", "harp", "piano")
SNRS_DB = (-5.0, 5.0, 12.5, 20.0)
SEEDS = (0,)


def gate(case: Mix, **settings: object) -> Wave:
    take, silence = Capture(case.take, RATE_HZ), Capture(case.silence, RATE_HZ)
    return Gate(**settings).plan(take, silence).apply(take)[0].samples[0]  # type: ignore[arg-type]


def library(case: Mix, **settings: float) -> Wave:
    return noisereduce.reduce_noise(
        y=case.take, sr=RATE_HZ, y_noise=case.silence, stationary=True, **settings
    )


def best_of_twelve(case: Mix) -> float:
    grid = itertools.product((2048, 4096), (0.8, 0.95, 1.0), (1.5, 2.5))
    return max(
        si_sdr_db(
            case.signal,
            library(case, n_fft=n_fft, prop_decrease=drop, n_std_thresh_stationary=threshold),
        )
        for n_fft, drop, threshold in grid
    )


def oracle(case: Mix) -> Wave:
    frames = Frames(1024)
    pad = frames.size

    def spectra(wave: Wave) -> np.ndarray:
        return frames.spectra(np.pad(wave, (pad, pad + (-wave.size) % frames.hop)))

    signal, noise = np.abs(spectra(case.signal)) ** 2, np.abs(spectra(case.hiss)) ** 2
    out = frames.samples(spectra(case.take) * signal / (signal + noise + 1e-30))
    return out[pad : pad + case.take.size]


def row(case: Mix) -> list[float]:
    before = si_sdr_db(case.signal, case.take)
    started = time.perf_counter()
    ours = gate(case, depth_db=40.0)
    took = time.perf_counter() - started
    started = time.perf_counter()
    default = library(case)
    theirs = time.perf_counter() - started
    parts = Parts(*(Capture(wave, RATE_HZ) for wave in (case.signal, case.hum, case.hiss)))
    plan = Chain([Gate()]).plan(parts.mixture, Capture(case.silence, RATE_HZ))
    ledger = account(plan, parts, "known").total
    return [
        si_sdr_db(case.signal, ours) - before,
        si_sdr_db(case.signal, gate(case)) - before,
        si_sdr_db(case.signal, gate(case, depth_db=40.0, method="threshold")) - before,
        si_sdr_db(case.signal, default) - before,
        best_of_twelve(case) - before,
        si_sdr_db(case.signal, oracle(case)) - before,
        took,
        theirs,
        *(
            np.nan if value is None else value
            for value in (
                ledger.hiss_removed_db,
                ledger.signal_lost_db,
                ledger.cost_db,
                ledger.musical_noise,
            )
        ),
    ]


HEADINGS = (
    "case", "estimate 40 dB", "estimate 12 dB", "threshold 40 dB", "noisereduce",
    "noisereduce best of 12", "oracle", "s", "noisereduce s",
    "hiss removed dB", "signal lost dB", "cost dB", "musical noise",
)  # fmt: skip


def main() -> None:
    names, rows = [], []
    for seed, instrument, hiss, snr_db in itertools.product(SEEDS, INSTRUMENTS, HISSES, SNRS_DB):
        case = mix(instrument, hiss, snr_db, seed)
        names.append(case.name)
        rows.append(row(case))
        print(case.name, np.round(rows[-1], 2), flush=True)
    table = np.array(rows)
    lines = [
        "# Gate",
        "",
        "Gain in SI-SDR over the mixture, dB, six columns; seconds for 10 s of mono 48 kHz; the "
        "ledger at the default depth of 12 dB with the parts known. Written by gate_bench.py.",
        "",
        "| " + " | ".join(HEADINGS) + " |",
        "| --- |" + " ---: |" * (len(HEADINGS) - 1),
        *(
            f"| {name} | " + " | ".join(f"{value:.2f}" for value in values) + " |"
            for name, values in [
                ("**mean**", np.nanmean(table, axis=0)),
                ("**worst**", np.nanmin(table[:, :6], axis=0)),
                *zip(names, table, strict=True),
            ]
        ),
    ]
    Path(__file__).with_suffix("").with_name("gate.md").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
