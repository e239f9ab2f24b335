"""How often a preset refuses a take that is not its own, and one that is.

    python -m tests.bench.preset_bench [CASES]

writes preset.md beside itself: so many matches, and as many misfits of four kinds together. Takes
are rendered instruments in drawn hiss and mains hum, with a rest of up to three seconds before
them; the silence is drawn apart. A match has a gain and a hiss within 1 dB of the silence; a misfit
is off by 4.5 to 9 dB as a whole (gain), in its hiss (floor), in its hiss above some frequency
(risen), or comes from the other mains.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.presets.fit import Fit, check_fit
from cleanchain.presets.floor import make_floor
from cleanchain.presets.passport import hum_of
from tests.bench.mixes import HISSES, INSTRUMENTS, RATE_HZ, Wave, hiss, hum, render

KINDS = ("match", "gain", "floor", "risen", "mains")
SILENCE_S = 10.0
HARMONICS = {1: 1.0, 2: 0.1, 3: 0.4, 5: 0.3, 7: 0.15, 9: 0.1}


def draw(kind: str, seed: int) -> tuple[Capture, Capture, str]:
    """Return a silence, a take, and what they are."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    instrument = str(rng.choice(list(INSTRUMENTS)))
    shape = str(rng.choice(HISSES))
    rest_s = float(rng.uniform(0.0, 3.0))
    music = np.concatenate([np.zeros(int(rest_s * RATE_HZ)), render(instrument, seed % 3)])
    level = np.sqrt(np.mean(music**2))
    hiss_level = level * 10 ** (-rng.uniform(10, 35) / 20)
    hum_level = level * 10 ** (-rng.uniform(0, 30) / 20)
    mains_hz = float(rng.choice([50.0, 60.0]))

    def noise(frames: int, at_hz: float, hiss_gain: Wave | float) -> Wave:
        wave = hiss(shape, frames, rng)
        if isinstance(hiss_gain, np.ndarray):
            hz = np.fft.rfftfreq(frames, 1 / RATE_HZ)
            rise = np.where(hz > hiss_gain[0], hiss_gain[1], 1.0)
            wave = np.fft.irfft(np.fft.rfft(wave) * rise, frames)
        else:
            wave = wave * hiss_gain
        drawn = hum(at_hz + rng.normal(0, 0.02), HARMONICS, frames, rng, 0.01)[0]
        return hiss_level * wave + hum_level * drawn

    silence = noise(int(SILENCE_S * RATE_HZ), mains_hz, 1.0)
    away_db = float(rng.choice([-1, 1]) * rng.uniform(4.5, 9.0))
    factor = 10 ** (away_db / 20)
    words = f"{instrument}, {shape} hiss, rest {rest_s:.1f} s, {away_db:+.1f} dB"
    if kind == "match":
        near = 10 ** (rng.uniform(-1, 1, 2) / 20)
        take = near[0] * (music + noise(music.size, mains_hz, near[1] / near[0]))
        return Capture(silence, RATE_HZ), Capture(take, RATE_HZ), words.rpartition(",")[0]
    if kind == "gain":
        take = factor * (music + noise(music.size, mains_hz, 1.0))
    elif kind == "floor":
        take = music + noise(music.size, mains_hz, factor)
    elif kind == "risen":
        corner = float(np.exp(rng.uniform(np.log(400), np.log(5000))))
        words += f" above {corner:.0f} Hz"
        take = music + noise(music.size, mains_hz, np.array([corner, factor]))
    else:
        take = music + noise(music.size, 110.0 - mains_hz, 1.0)
    return Capture(silence, RATE_HZ), Capture(take, RATE_HZ), words


def _rate(count: int, of: int) -> str:
    """Return a rate with its interval by Wilson's score."""
    z, part = 1.96, count / of
    middle = (part + z**2 / (2 * of)) / (1 + z**2 / of)
    half = z * np.sqrt(part * (1 - part) / of + z**2 / (4 * of**2)) / (1 + z**2 / of)
    low, high = 100 * max(middle - half, 0.0), 100 * min(middle + half, 1.0)
    return f"{count} of {of} ({100 * part:.1f} %, {low:.1f} to {high:.1f} %)"


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rows, missed = [], []
    for kind in KINDS:
        count = cases if kind == "match" else cases // 4
        tally = dict.fromkeys(("fits", "unknown", "warned", "refused"), 0)
        seconds = 0.0
        for seed in range(count):
            silence, take, words = draw(kind, seed)
            floor = make_floor(silence, np.zeros(0), np.zeros((1, 0)), hum_of(silence))
            start = time.process_time()
            fit: Fit = check_fit(floor, take)
            seconds += time.process_time() - start
            tally[fit.verdict] += 1
            if (fit.verdict == "refused") == (kind == "match"):
                told = "; ".join(finding.words for finding in fit.findings)
                missed.append(f"{kind} {seed}, {fit.verdict}: {words}: {told}")
                print(missed[-1], flush=True)
        rows.append((kind, count, tally, seconds / count))
        print(rows[-1], flush=True)
    refused = sum(tally["refused"] for kind, _, tally, _ in rows if kind != "match")
    misfits = sum(count for kind, count, _, _ in rows if kind != "match")
    false = rows[0][2]["refused"]
    lines = [
        "# Presets",
        "",
        "What check_fit said of drawn takes. Written by preset_bench.py.",
        "",
        f"Misfits refused: {_rate(refused, misfits)}. Matches refused: {_rate(false, rows[0][1])}. "
        "In brackets where the rate lies in 19 of 20 such runs (Wilson 1927, from memory).",
        "",
        "| kind | takes | fits | unknown | warned | refused | processor s each |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
        *(
            f"| {kind} | {count} | " + " | ".join(str(n) for n in tally.values()) + f" | {s:.2f} |"
            for kind, count, tally, s in rows
        ),
        "",
        "Told wrongly:",
        "",
        *(f"- {words}" for words in missed),
    ]
    Path(__file__).with_suffix("").with_name("preset.md").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
