"""Comparisons on captures of which everything is known.

    python -m tests.bench.compare_bench [ROWS...]

runs the rows that are named, all of them where none is, and replaces them in compare.md beside
itself. Every capture is computed from a seed; each row says how often, over how many captures, and
what chance allows.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.compare.builds import Build, compare_builds
from cleanchain.measure.alignment import align
from cleanchain.measure.band_powers import hiss_powers, measure_floors
from cleanchain.measure.coherence import (
    coherence_bias,
    coherence_sd,
    cross_spectra,
    no_coherence_threshold,
    squared_coherence,
    three_channel_noise,
    two_channel_noise,
)
from cleanchain.measure.differences import (
    HUM_SHARE,
    Differences,
    decide,
    differences,
    octave_differences,
    repeated_differences,
)
from cleanchain.measure.hum_difference import hum_difference
from cleanchain.measure.moved import Moved

Wave = np.ndarray
RATE_HZ = 4000
SEEDS = 2000
#: A row: what, asked for, measured, over how many.
Row = tuple[str, str, str, str]


def noise(seed: int, part: int, seconds: float, gain: float = 0.01) -> Wave:
    rng = np.random.default_rng([seed, part])
    return gain * rng.standard_normal(int(seconds * RATE_HZ))


def hum(seed: int, part: int, frames: int, level: float) -> Wave:
    """Hum of mains that are a little elsewhere in every capture."""
    rng = np.random.default_rng([seed, part, 1])
    t = np.arange(frames) / RATE_HZ
    mains_hz = 50 + rng.normal(0, 0.02)
    wave = np.zeros(frames)
    for harmonic, amplitude in ((1, 1.0), (3, 0.4), (5, 0.2), (7, 0.1)):
        turn = 2 * np.pi * mains_hz * harmonic * t + rng.uniform(0, 6.3)
        wave += level * amplitude * np.cos(turn)
    return wave


def shaped(wave: Wave, low_hz: float, high_hz: float, gain_db: float) -> Wave:
    """A wave whose level is changed in a band."""
    spectrum = np.fft.rfft(wave)
    frequency = np.fft.rfftfreq(wave.size, 1 / RATE_HZ)
    spectrum[(frequency >= low_hz) & (frequency < high_hz)] *= 10 ** (gain_db / 20)
    return np.fft.irfft(spectrum, wave.size)


def pair(a: Wave, b: Wave, heard_a: Wave | None = None, heard_b: Wave | None = None):
    builds = [
        Build(
            name,
            (Capture(silence, RATE_HZ),),
            None if heard is None else Capture(heard, RATE_HZ),
        )
        for name, silence, heard in (("A", a, heard_a), ("B", b, heard_b))
    ]
    return compare_builds(builds)[0]


def silences(a: Wave, b: Wave):
    """Differences of two silences, decided together, without the checks of the captures."""
    floors = measure_floors([Capture(a, RATE_HZ), Capture(b, RATE_HZ)])
    powers = hiss_powers(floors)
    lines = hum_difference(floors[:1], floors[1:])
    single = (1.0 if lines is None else lines.probability, HUM_SHARE)
    found, (hum_differs,) = decide([differences(*powers), octave_differences(*powers)], [single])
    return found, lines, hum_differs


def covers(found: Differences, true: Wave | float = 0.0) -> Wave:
    return (found.low_db <= true) & (found.high_db >= true)


def share(count: float, of: int) -> str:
    return f"{100 * count / of:.1f} %"


def nothing_differs() -> list[Row]:
    """Coverage and false alarms; every second set has hum."""
    thirds, octaves, hums, wrong = [], [], [], 0
    for seed in range(SEEDS):
        waves = [noise(seed, part, 8) for part in (0, 1)]
        if seed % 2:
            level = 10 ** np.random.default_rng(seed).uniform(-3, -1)
            waves = [w + hum(seed, k, w.size, level) for k, w in enumerate(waves)]
        (third, octave), lines, hum_differs = silences(*waves)
        thirds.append(covers(third)[third.known].mean())
        octaves.append(covers(octave).mean())
        if lines is not None and lines.difference_db is not None:
            hums.append(lines.low_db <= 0 <= lines.high_db)
        wrong += bool(third.differs.any() or octave.differs.any() or hum_differs)
    n = str(SEEDS)
    return [
        ("95 % intervals of third octaves cover", "93 to 97 %", share(sum(thirds), SEEDS), n),
        ("95 % intervals of octaves cover", "93 to 97 %", share(sum(octaves), SEEDS), n),
        ("95 % intervals of hum cover", "93 to 97 %", share(sum(hums), len(hums)), str(len(hums))),
        ("anything differs where nothing does", "at most 5 %", share(wrong, SEEDS), n),
    ]


def one_db() -> list[Row]:
    """1 dB over an octave in 30 s captures."""
    rows = []
    count = 200
    for low_hz in (22.39, 44.67, 707.9):
        hits = 0
        for seed in range(count):
            loud = shaped(noise(seed, 0, 30), low_hz, low_hz * 10**0.3, 1.0)
            (_, octaves), _, _ = silences(noise(seed, 1, 30), loud)
            near = np.abs(np.log(octaves.low_hz / low_hz)) < 0.01
            hits += bool((octaves.differs & near).any())
        what = f"1 dB over {low_hz:.0f} to {low_hz * 10**0.3:.0f} Hz is found in 30 s"
        rows.append((what, "at least 90 %", share(hits, count), str(count)))
    return rows


def some_bands() -> list[Row]:
    """Differences of 0 to 6 dB in some bands: the intervals of all bands."""
    inside, count = [], 200
    for seed in range(count):
        gain_db = float(np.random.default_rng(seed).uniform(0, 6))
        # A third octave wide at a random place, so that its neighbours stay.
        number = int(np.random.default_rng([seed, 9]).integers(-10, 4))
        centre = 1000 * 10 ** (number / 10)
        loud = shaped(noise(seed, 0, 30), centre / 10**0.05, centre * 10**0.05, gain_db)
        (thirds, _), _, _ = silences(noise(seed, 1, 30), loud)
        true = np.where(np.abs(np.log(thirds.centre_hz / centre)) < 0.01, gain_db, 0.0)
        beside = np.abs(np.log10(thirds.centre_hz / centre)) < 0.15
        # The edges of bands of 30 Hz and less are as wide as a bin: neighbours are left out there.
        judged = ~beside | (true > 0) | (number > -4)
        inside.append(covers(thirds, true)[judged].mean())
    return [
        (
            "intervals cover where a third octave is up by 0 to 6 dB",
            "93 to 97 %",
            share(sum(inside), count),
            str(count),
        )
    ]


def only_louder() -> list[Row]:
    """A build that is B = gain x A in all it does."""
    better = worse = marked = 0
    inside, cancelled, count = [], [], 200
    for seed in range(count):
        gain = 10 ** np.random.default_rng(seed).uniform(-0.6, 0.6)
        stimulus = noise(seed, 5, 10, 0.1)
        found = pair(
            noise(seed, 0, 10),
            gain * noise(seed, 1, 10),
            noise(seed, 2, 10) + stimulus,
            gain * (noise(seed, 3, 10) + stimulus),
        )
        better += found.better
        worse += found.worse
        assert found.snr is not None
        snr = found.snr.thirds
        marked += bool(snr.differs.any() or found.snr.octaves.differs.any())
        inside.append(covers(snr).mean())
        reach = 1.96 * found.snr.more_sensitive_sd_db
        true = 20 * np.log10(gain)
        cancelled.append((np.abs(found.snr.more_sensitive_db - true) < reach).mean())
    n = str(count)
    return [
        ("only louder is called better", "never", str(better), n),
        ("only louder is called worse", "never", str(worse), n),
        ("and any band of it is marked", "at most 5 %", share(marked, count), n),
        ("95 % intervals of signal-to-noise cover", "93 to 97 %", share(sum(inside), count), n),
        ("95 % intervals of 'more sensitive by' cover", "-", share(sum(cancelled), count), n),
    ]


def repeats() -> list[Row]:
    """A B A B: alike but for chance, then placed anew each time, which moves levels and slopes."""
    rows = []
    count = 400
    octaves = np.log2(np.maximum(np.fft.rfftfreq(8 * RATE_HZ, 1 / RATE_HZ), 1.0) / 400)
    for scatter_db in (0.0, 0.5):
        inside, wrong, seen = [], 0, 0
        for seed in range(count):
            rng = np.random.default_rng([seed, 77])
            captures = []
            for part in range(4):
                level, slope = rng.normal(0, scatter_db, 2)
                spectrum = np.fft.rfft(noise(seed, part, 8))
                wave = np.fft.irfft(spectrum * 10 ** ((level + slope / 3 * octaves) / 20))
                captures.append(Capture(wave, RATE_HZ))
            powers = hiss_powers(measure_floors(captures))
            thirds, wide, scatter = repeated_differences(powers[::2], powers[1::2])
            (thirds, wide), _ = decide([thirds, wide])
            inside.append(covers(thirds)[thirds.known].mean())
            wrong += bool(thirds.differs.any() or wide.differs.any())
            seen += scatter
        n = str(count)
        how = f"A B A B, each placed anew ({scatter_db:g} dB)" if scatter_db else "A B A B, steady"
        rows += [
            (f"{how}: 95 % intervals cover", "93 to 97 %", share(sum(inside), count), n),
            (f"{how}: anything differs", "at most 5 %", share(wrong, count), n),
            (f"{how}: the scatter is seen", "-", share(seen, count), n),
        ]
    return rows


def really_better() -> list[Row]:
    """B has 1 dB less noise in one octave, at the same signal."""
    count, better, wrong = 50, 0, 0
    for seed in range(count):
        stimulus = noise(seed, 5, 30, 0.1)
        quieter = [shaped(noise(seed, part, 30), 355, 708, -1.0) for part in (1, 3)]
        found = pair(
            noise(seed, 0, 30),
            quieter[0],
            noise(seed, 2, 30) + stimulus,
            quieter[1] + stimulus,
        )
        better += found.better
        wrong += found.worse
    return [
        ("1 dB less noise over 355 to 708 Hz is better", "-", share(better, count), str(count)),
        ("and is called worse", "never", str(wrong), str(count)),
    ]


def alignment() -> list[Row]:
    """Lag, drift and polarity at 20 dB."""
    count, frames = 200, 120_000
    lags, drifts, upright = [], [], 0
    size = 1 << 18
    low = np.fft.rfftfreq(size) < 0.3
    for seed in range(count):
        rng = np.random.default_rng(seed)
        signal = np.fft.irfft(np.fft.rfft(rng.standard_normal(size)) * low, size)
        lag, drift = rng.uniform(-400, 400), rng.uniform(-80, 80)
        sign = 1 if rng.random() < 0.5 else -1
        source = Capture(signal, 48_000)
        # B late by the lag: its frame n is frame n (1 - drift) - lag of the signal, nearly.
        rate = 1 / (1 + 1e-6 * drift)
        b = Moved(source, 5000 - lag * rate, 1e6 * (rate - 1), 0, frames, sign, "b")
        own = 0.1 * signal.std() * rng.standard_normal((2, frames))
        a = signal[5000 : 5000 + frames] + own[0]
        found = align(a, b.read(0, frames)[0] + own[1], 48_000)
        lags.append(abs(found.lag_frames - lag))
        drifts.append(abs(found.drift_ppm - drift))
        upright += found.polarity == sign
    n = str(count)
    return [
        ("lag at 20 dB, worst error", "0.05 frames", f"{max(lags):.3f}", n),
        ("drift at 20 dB, worst error", "1 ppm", f"{max(drifts):.3f}", n),
        ("polarity right", "all", f"{upright}", n),
    ]


def reference_noise() -> list[Row]:
    """Own noise at gains 1, 1.2, 0.8 and noise of sd 1, 2, 0.5, signal 29.5 dB up, 400 s."""
    rng = np.random.default_rng(1)
    frames, rate_hz = 400_000, 1000
    signal = 10 ** (29.5 / 20) * rng.standard_normal(frames)
    own = [sd * rng.standard_normal(frames) for sd in (1.0, 2.0, 0.5)]
    waves = np.array([g * signal + n for g, n in zip((1.0, 1.2, 0.8), own, strict=True)])
    bins = slice(round(5 * 1024 / rate_hz), round(50 * 1024 / rate_hz) + 1)

    def level_db(power: Wave) -> float:
        return float(10 * np.log10(np.abs(power[bins].mean()) / (1024 * 384)))

    true = level_db(cross_spectra(own[0][None], 1024)[0][0, 0].real)
    three = level_db(three_channel_noise(cross_spectra(waves, 1024)[0])[0])
    rows = [("own noise, three channels (Sleeman 2006)", f"{true:.2f} dB", f"{three:.2f} dB", "1")]
    for mismatch in (0.0, 0.001, 0.01, 0.2):
        both = np.array([signal + own[0], (1 + mismatch) * signal + own[2] * 2])
        noise_power = two_channel_noise(cross_spectra(both, 1024)[0])
        told = "negative" if noise_power[bins].mean() < 0 else f"{level_db(noise_power):.2f} dB"
        what = f"own noise, two channels (Holcomb 1989), gains differ by {100 * mismatch:g} %"
        rows.append((what, f"{true:.2f} dB at 0 %", told, "1"))
    return rows


def coherence() -> list[Row]:
    """Bias, spread and threshold of the squared coherence against its formulas."""
    rows = []
    for count, shared in ((8, 0.0), (32, 0.0), (100, 0.0), (32, 0.5), (32, 0.9), (100, 0.5)):
        rng = np.random.default_rng(count)
        draws = 40_000
        shape = (2, draws, count)
        same, x, y = (rng.standard_normal(shape).view() for _ in range(3))
        same, x, y = (one[0] + 1j * one[1] for one in (same, x, y))
        mix = np.sqrt(shared**0.5), np.sqrt(1 - shared**0.5)
        x, y = mix[0] * same + mix[1] * x, mix[0] * same + mix[1] * y
        cross = (x * y.conj()).mean(axis=1)
        powers = (np.abs(x) ** 2).mean(axis=1) * (np.abs(y) ** 2).mean(axis=1)
        spectra = np.array([[np.sqrt(powers), cross], [cross.conj(), np.sqrt(powers)]])
        found = squared_coherence(spectra)
        bias = float(coherence_bias(np.array(shared), count))
        n = f"{draws}"
        rows.append(
            (
                f"bias of the coherence, {count} averages, true {shared:g}",
                f"{bias:.4f}",
                f"{found.mean() - shared:.4f}",
                n,
            )
        )
        if shared:
            sd = float(coherence_sd(np.array(shared), count))
            what = f"its standard deviation, {count} averages, true {shared:g}"
            rows.append((what, f"{sd:.4f}", f"{found.std():.4f}", n))
        else:
            over = (found > no_coherence_threshold(count)).mean()
            what = f"above its 5 % threshold, {count} averages"
            rows.append((what, "5.0 %", f"{100 * over:.1f} %", n))
    return rows


ROWS: dict[str, Callable[[], list[Row]]] = {
    function.__name__: function
    for function in (
        nothing_differs, one_db, some_bands, repeats, only_louder, really_better, alignment,
        reference_noise, coherence,
    )
}  # fmt: skip


TABLE = Path(__file__).with_name("compare.md")
HEAD = (
    "# Compare",
    "",
    "Captures with known parts, computed from seeds. Coverage, false alarms and hum: 8 s at 4 kHz, "
    "hum in half of the sets; differences of a band: 30 s at 4 kHz; signal-to-noise: 10 s at "
    "4 kHz; alignment: 2.5 s at 48 kHz. Seconds are of processor time, all rows of one kind "
    "together. "
    "Written by compare_bench.py.",
    "",
    "| what | asked for | measured | over | s |",
    "| --- | ---: | ---: | ---: | ---: |",
)


def write(rows: list[Row], seconds: float) -> None:
    """Replace rows in the table, or add them."""
    lines = TABLE.read_text(encoding="utf-8").splitlines() if TABLE.exists() else list(HEAD)
    for place, row in enumerate(rows):
        text = f"| {' | '.join(row)} | {f'{seconds:.0f}' if place == 0 else ''} |"
        print(text, flush=True)
        at = [n for n, line in enumerate(lines) if line.startswith(f"| {row[0]} |")]
        if at:
            lines[at[0]] = text
        else:
            lines.append(text)
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> None:
    for name in sys.argv[1:] or list(ROWS):
        started = time.process_time()
        rows = ROWS[name]()
        write(rows, time.process_time() - started)


if __name__ == "__main__":
    main()
