"""Traps for the hum stage: hum that sets in or jumps, drones on the comb, two channels.

``python -m tests.bench.hum_traps tests/bench/hum_traps.md [CASES [FIRST]]`` draws so many cases,
from a first number on. The silence knows the hum as it was before the trap.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture
from cleanchain.stages.hum import Hum
from tests.bench.hum_cases import INSTRUMENTS, KINDS, cycles, waveform
from tests.bench.mixes import RATE_HZ, render

Wave = NDArray[np.float64]

SECONDS, SILENCE_S = 12.0, 8.0
#: Notes of equal temperament (A4 = 440 Hz) that lie on combs of 50 and 60 Hz.
COMB_NOTES = {"G1": 48.999, "F4": 349.228, "B1": 61.735, "E5": 659.255}
#: dB that a third-octave band may be louder than before, beyond what it would be without the hum:
#: where hum and notes happen to cancel, that is louder too.
LOUDER_DB = 0.05


@dataclass(frozen=True)
class Trap:
    """A take of shape (channels, frames), what it would be without the hum, and its silence."""

    name: str
    take: Wave
    wanted: Wave
    silence: Wave


def drone(hz: float, rng: np.random.Generator) -> Wave:
    """Twelve partials that go on all the time."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    turns = rng.random(13)
    wave = np.sum([np.cos(2 * np.pi * (k * hz * t + turns[k])) / k for k in range(1, 13)], axis=0)
    return 0.1 * wave / np.sqrt(np.mean(wave**2))


def hand(frames: int, rng: np.random.Generator) -> Wave:
    """Level of a hum while a hand touches the strings and lets go, in ramps of 0.1 s."""
    at = np.cumsum(rng.uniform(0.8, 3.0, 20))
    levels = np.where(np.arange(20) % 2 == 0, 1.0, rng.uniform(0.15, 0.6, 20))
    knots = np.ravel(np.column_stack([at, at + 0.1]))
    values = np.ravel(np.column_stack([levels, np.roll(levels, -1)]))
    return np.interp(np.arange(frames) / RATE_HZ, knots, values)


def trap(number: int) -> Trap:
    """Draw a case; the same number gives the same case."""
    rng = np.random.default_rng([number, 4242])
    names = ("sets in", "stops", "50 to 60 Hz", "phase jump", "far off", "hand", "drone", "stereo",
             "no hum", "gap")  # fmt: skip
    name = names[number % len(names)]
    kind = str(rng.choice(list(KINDS)))
    nominal = float(rng.choice([50.0, 60.0]))
    off = rng.uniform(-0.2, 0.2)
    if name == "far off":
        off = float(rng.choice([-1, 1]) * rng.uniform(0.5, 1.0))
    drift_hz = float(rng.choice([0.0, 0.01, 0.03]))
    level = 10 ** (rng.uniform(-60, -32) / 20)
    instrument = str(rng.choice(INSTRUMENTS))
    frames, still = int(SECONDS * RATE_HZ), int(SILENCE_S * RATE_HZ)
    signal = render(instrument, number % 3, SECONDS)
    if name == "drone":
        note = str(rng.choice(list(COMB_NOTES)))
        instrument, signal = f"drone {note}", drone(COMB_NOTES[note], rng)
    path = cycles(nominal + off, drift_hz, frames, rng)
    other = cycles(nominal + off + rng.normal(0, 0.02), drift_hz, still, rng)
    middle = int(rng.uniform(0.25, 0.75) * frames)
    gain = np.ones(frames)
    if name == "phase jump":
        path[middle:] += rng.uniform(0.1, 0.9)
    if name in ("sets in", "no hum"):
        gain[: middle if name == "sets in" else None] = 0.0
    if name == "stops":
        gain[middle:] = 0.0
    if name == "gap":
        gain[middle : middle + int(rng.uniform(0.5, 2.5) * RATE_HZ)] = 0.0
    if name == "hand":
        gain = hand(frames, rng)
    channels = 2 if name == "stereo" else 1
    floor = 10 ** (rng.uniform(-80, -65) / 20)
    takes, wants, silences = [], [], []
    for channel in range(channels):
        turns = rng.random(40)
        lines = KINDS[kind] if channel == 0 else KINDS[str(rng.choice(list(KINDS)))]
        size = level / np.sqrt(sum(a * a / 2 for a in lines.values()))
        size *= float(rng.choice([0.0, 0.5, 2.0])) if channel else 1.0
        hum = gain * size * waveform(path, lines, turns)
        if name == "50 to 60 Hz":
            there = cycles(110.0 - nominal + off, drift_hz, frames, rng)
            hum[middle:] = size * waveform(there, lines, turns)[middle:]
        wanted = signal * rng.uniform(0.5, 1.0) + floor * rng.standard_normal(frames)
        takes.append(wanted + hum)
        wants.append(wanted)
        silences.append(size * waveform(other, lines, turns) + floor * rng.standard_normal(still))
    words = f"{name}, {instrument}, {kind}, {nominal + off:.2f} Hz, {20 * np.log10(level):.0f} dBFS"
    return Trap(words, np.array(takes), np.array(wants), np.array(silences))


def bands_db(wave: Wave) -> Wave:
    """Power of third octaves from 25 Hz up, dB, shape (channels, bands)."""
    power = np.abs(np.fft.rfft(wave * np.hanning(wave.shape[1]))) ** 2
    centres = 1000 * 10 ** (np.arange(-16, 13) / 10)
    edges = (np.append(centres / 10**0.05, centres[-1] * 10**0.05)) * wave.shape[1] / RATE_HZ
    sums = np.add.reduceat(power, edges.astype(int), axis=1)[:, :-1]
    return 10 * np.log10(sums + 1e-12)


def error_db(out: Wave, wanted: Wave) -> float:
    """Error re what is wanted, of the worse channel."""
    return float(np.max(10 * np.log10(((out - wanted) ** 2).sum(1) / (wanted**2).sum(1) + 1e-20)))


def judge(case: Trap, with_silence: bool) -> tuple[float, float, float, float, bool]:
    """Error before and after, rise of bands, that of the hum's absence, and whether untouched."""
    take = Capture(case.take, RATE_HZ)
    plan = Hum().plan(take, Capture(case.silence, RATE_HZ) if with_silence else None)
    out = plan.apply(take)[0].samples
    before = bands_db(case.take)
    rise, chance = (float((bands_db(one) - before).max()) for one in (out, case.wanted))
    errors = error_db(case.take, case.wanted), error_db(out, case.wanted)
    return *errors, rise, chance, plan.is_identity


def main() -> None:
    out = Path(sys.argv[1])
    cases = int(sys.argv[2]) if len(sys.argv) > 2 else 30
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    lines = ["| case | untouched | no hum, band | with a silence | band | without | band |",
             "| --- | ---: | ---: | ---: | ---: | ---: | ---: |"]  # fmt: skip
    ways = ("with a silence", "without")
    worse, louder, sums = [0, 0], [0, 0], [0.0, 0.0]
    most = [0.0, 0.0]
    for number in range(first, first + cases):
        case = trap(number)
        cells = []
        for way, with_silence in enumerate((True, False)):
            before, after, rise, chance, same = judge(case, with_silence)
            beyond = rise - max(chance, 0.0)
            worse[way] += after > before + 0.01
            louder[way] += beyond > LOUDER_DB
            most[way] = max(most[way], beyond)
            sums[way] += after / cases
            cells += ["same" if same else f"{after:.1f}", f"{rise:+.2f}"]
        lines.append(f"| {case.name} | {before:.1f} | {chance:+.2f} | {' | '.join(cells)} |")
        print(number, lines[-1], flush=True)
    head = [
        "# Traps for hum",
        "",
        "Written by `python -m tests.bench.hum_traps`. Rendered instruments or drones with",
        "generated hum and white hiss. Errors to what would be there without the hum, dB re that,",
        "of the worse channel; the largest rise of a third-octave band from 25 Hz up, dB.",
        "",
        "Where hum and notes happen to cancel, a band is louder without the hum: `no hum, band`.",
        "",
        f"{cases} cases from {first} on. Worse than untouched, a band more than {LOUDER_DB} dB",
        "louder beyond that, the most beyond that, and the mean error:",
        "",
        "| | worse | louder | most dB | mean error dB |",
        "| --- | ---: | ---: | ---: | ---: |",
        *(
            f"| {ways[way]} | {worse[way]} | {louder[way]} | {most[way]:.2f} | {sums[way]:.1f} |"
            for way in (0, 1)
        ),
        "",
    ]
    out.write_text("\n".join([*head, *lines, ""]), encoding="utf-8")
    print("\n".join(head))


if __name__ == "__main__":
    main()
