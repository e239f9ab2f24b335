"""Learns the table of the gate's gains from mixtures whose parts are known.

    python -m tests.bench.gate_table 96

writes cleanchain/stages/gate_long.npy and gate_short.npy from that many mixtures of rendered
phrases, none of them in the gate's bench, with hiss of random colour, 5 dB under to 30 dB over.

The table starts with the gain of least error in the places of short-time frames that look alike,
sum Re(S conj(X)) over sum abs(X)^2, each over the floor. Frames overlap, so that errors that
neighbours do not share average out in the sound; a few steps of steepest descent on the error of
the sound itself, weighed by the floor, take that in.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from cleanchain.audio.capture import Capture
from cleanchain.measure.noise_floor import learn_floor
from cleanchain.operators.short_time import Frames
from cleanchain.stages import gate_rules
from cleanchain.stages.gate import gate_frames
from cleanchain.stages.gate_rules import (
    LEVELS,
    STORED_STEP_DB,
    TABLES,
    WIDE_BINS,
    TableName,
    surroundings,
)
from tests.bench.mixes import INSTRUMENTS, RATE_HZ, Wave, render

#: More instruments of the sound font: General MIDI program, lowest note, notes a second, held.
MORE = {
    "flute": (73, 60, 1.2, True),
    "saxophone": (66, 50, 1.5, True),
    "trumpet": (56, 55, 1.5, True),
    "sitar": (104, 48, 2.0, False),
    "banjo": (105, 50, 4.0, False),
    "kalimba": (108, 60, 3.0, False),
    "marimba": (12, 48, 3.0, False),
    "music box": (10, 60, 3.0, False),
    "viola": (41, 48, 1.2, True),
    "contrabass": (43, 28, 1.0, True),
    "clavichord": (7, 40, 3.0, False),
    "accordion": (21, 50, 1.5, True),
    "koto": (107, 50, 2.5, False),
    "muted guitar": (28, 40, 4.0, False),
    "plucked strings": (45, 45, 3.0, False),
    "jazz guitar": (26, 40, 2.5, False),
}
FRAMES = dict(zip(TABLES, gate_frames(RATE_HZ), strict=True))
STORED = LEVELS // 2
STEPS, STEP = 2, 1.5
#: Shares of ever wider neighbourhoods, in levels, that fill places which were never seen.
NEIGHBOURS = ((0.5, 0.02), (1.0, 1e-2), (2.0, 1e-4), (4.0, 1e-7), (10.0, 1e-12), (30.0, 1e-18))


@dataclass(frozen=True, eq=False)
class Example:
    """A mixture on short-time frames."""

    table: TableName
    signal: Wave
    mixture: NDArray[np.complex64]
    floor: NDArray[np.float64]

    @cached_property
    def place(self) -> NDArray[np.int32]:
        """Place in the stored table of every bin of every frame."""
        doublings, bins = TABLES[self.table], WIDE_BINS
        hop = 2**doublings - 1
        power = self.mixture.real**2 + self.mixture.imag**2
        ratio = np.pad(power / self.floor, ((hop, hop), (bins, bins)), mode="edge")
        fine = surroundings(ratio.astype(np.float32), doublings)
        near, along, across = fine // LEVELS**2, fine // LEVELS % LEVELS, fine % LEVELS
        return ((near // 2) * STORED + along // 2) * STORED + across // 2

    def summed(self, wave: NDArray[np.complex128]) -> NDArray[np.float64]:
        """Sum Re(wave conj(X)) over the floor, by place."""
        product = (wave * self.mixture.conj()).real / self.floor
        return np.bincount(self.place.ravel(), product.ravel(), STORED**3)

    def cleaned(self, table: NDArray[np.float64]) -> Wave:
        frames = FRAMES[self.table]
        samples = frames.samples(self.mixture * table[self.place])
        return samples[frames.size : frames.size + self.signal.size]

    def spectra(self, wave: Wave) -> NDArray[np.complex128]:
        return spectra(wave, FRAMES[self.table])


def spectra(wave: Wave, frames: Frames) -> NDArray[np.complex128]:
    pad = frames.size
    return frames.spectra(np.pad(wave, (pad, pad + (-wave.size) % frames.hop)))


def example(table: TableName, number: int) -> Example:
    rng = np.random.default_rng([77, number])
    INSTRUMENTS.update(MORE)
    names = sorted(INSTRUMENTS)
    signal = render(names[number % len(names)], seed=100 + number // len(names))
    level = np.sqrt(np.mean(signal**2)) * 10 ** (-rng.uniform(-5.0, 30.0) / 20)
    noise = coloured(rng, signal.size + int(rng.uniform(4.0, 12.0) * RATE_HZ))
    noise *= level / np.sqrt(np.mean(noise**2))
    hiss, silence = noise[: signal.size], noise[signal.size :]
    frames = FRAMES[table]
    mixture = spectra(signal + hiss, frames).astype(np.complex64)
    floor = learn_floor(Capture(silence, RATE_HZ), frames).power[0]
    return Example(table, signal, mixture, floor)


def coloured(rng: np.random.Generator, frames: int) -> Wave:
    """Draw hiss that falls by -2 to 6 dB an octave, with up to two humps or dips."""
    hz = np.maximum(np.fft.rfftfreq(frames, 1 / RATE_HZ), 20.0)
    shape_db = -rng.uniform(-2.0, 6.0) * np.log2(hz / 1000.0)
    for _ in range(rng.integers(0, 3)):
        centre_hz, octaves = rng.uniform(100.0, 12_000.0), rng.uniform(0.5, 2.0)
        shape_db += rng.uniform(-10, 10) * np.exp(-((np.log2(hz / centre_hz) / octaves) ** 2))
    shape = 10 ** (shape_db / 20)
    shape[hz <= 20.0] = 0.0
    return np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) * shape, frames)


def learn(examples: list[Example]) -> NDArray[np.float64]:
    """Return the gains of every stored place, shape (STORED, STORED, STORED)."""
    of_signal, of_mixture = np.zeros(STORED**3), np.zeros(STORED**3)
    for one in examples:
        of_signal += one.summed(one.spectra(one.signal))
        of_mixture += one.summed(one.mixture.astype(np.complex128))
    gains = filled(of_signal, of_mixture)
    for step in range(STEPS):
        slope = np.zeros(STORED**3)
        for one in examples:
            slope += one.summed(one.spectra(one.cleaned(gains) - one.signal))
        # The places that neighbours filled move with their neighbours too.
        gains = filled(gains * of_mixture - STEP * slope, of_mixture)
        print(f"step {step + 1}: {gained(examples, gains):.2f} dB", flush=True)
    return gains.reshape(STORED, STORED, STORED)


def filled(wanted: NDArray[np.float64], seen: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return wanted over seen, 0 to 1, by the neighbours where nothing was seen."""
    cube = (STORED, STORED, STORED)
    above, below = wanted.reshape(cube).copy(), seen.reshape(cube).copy()
    for levels, share in NEIGHBOURS:
        above += share * gaussian_filter(wanted.reshape(cube), levels, mode="nearest")
        below += share * gaussian_filter(seen.reshape(cube), levels, mode="nearest")
    return np.clip(above / np.maximum(below, 1e-300), 0.0, 1.0).ravel()


def gained(examples: list[Example], gains: NDArray[np.float64]) -> float:
    """Mean level of the signal over the error, dB."""
    errors = [
        10 * np.log10(np.sum(one.signal**2) / np.sum((one.cleaned(gains) - one.signal) ** 2))
        for one in examples
    ]
    return float(np.mean(errors))


def store(table: TableName, gains: NDArray[np.float64]) -> None:
    steps = np.round(-20 * np.log10(np.maximum(gains, 1e-4)) / STORED_STEP_DB)
    path = Path(gate_rules.__file__).with_name(f"gate_{table}.npy")
    np.save(path, np.clip(steps, 0, 255).astype(np.uint8))


def main() -> None:
    for table in TABLES:
        store(table, learn([example(table, number) for number in range(int(sys.argv[1]))]))


if __name__ == "__main__":
    main()
