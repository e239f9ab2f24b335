"""Mixtures with known parts: rendered instruments, drawn hiss, mains hum.

Instruments are rendered by fluidsynth from the General MIDI sound font of the Debian package
fluid-soundfont-gm (MIT licence, real samples), reverb and chorus off; the renders are kept in a
cache folder and never in the repository.
"""

from __future__ import annotations

import os
import struct
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

Wave = NDArray[np.float64]

RATE_HZ = 48_000
FONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
CACHE = Path(os.environ.get("CLEANCHAIN_BENCH_CACHE", Path(tempfile.gettempdir()) / "cleanchain"))

#: General MIDI program, lowest note, notes a second, and whether notes are held.
INSTRUMENTS = {
    "nylon guitar": (24, 40, 2.5, False),
    "steel guitar": (25, 45, 3.0, False),
    "bass": (32, 28, 2.0, False),
    "violin": (40, 60, 1.2, True),
    "cello": (42, 40, 1.0, True),
    "harp": (46, 48, 3.0, False),
    "piano": (0, 45, 2.0, False),
    "dulcimer": (15, 55, 3.0, False),
}
HISSES = ("white", "falling", "hump")


@dataclass(frozen=True)
class Mix:
    """A mixture and its parts, all of shape (frames,)."""

    name: str
    signal: Wave
    hum: Wave
    hiss: Wave
    silence: Wave

    @property
    def take(self) -> Wave:
        return self.signal + self.hum + self.hiss


def render(instrument: str, seed: int = 0, seconds: float = 10.0) -> Wave:
    """Render a phrase with rests; peak at 0.25, mono, 48 kHz."""
    CACHE.mkdir(parents=True, exist_ok=True)
    path = CACHE / f"{instrument.replace(' ', '-')}-{seed}-{seconds:g}.npy"
    if path.exists():
        return np.load(path)
    with tempfile.TemporaryDirectory() as folder:
        midi, wav = Path(folder) / "phrase.mid", Path(folder) / "phrase.wav"
        midi.write_bytes(_phrase(instrument, seed, seconds))
        subprocess.run(
            ["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-r", str(RATE_HZ), "-O", "s24",
             "-F", str(wav), str(FONT), str(midi)],
            check=True, capture_output=True,
        )  # fmt: skip
        stereo, _ = soundfile.read(wav, always_2d=True)
    frames = int(seconds * RATE_HZ)
    mono = np.zeros(frames)
    mono[: min(frames, len(stereo))] = stereo[:frames].mean(axis=1)
    mono *= 0.25 / np.abs(mono).max()
    np.save(path, mono)
    return mono


def hiss(kind: str, frames: int, rng: np.random.Generator) -> Wave:
    """Draw hiss of unit rms: white, falling by 3 dB an octave, or with a coil's hump at 4 kHz."""
    hz = np.fft.rfftfreq(frames, 1 / RATE_HZ)
    shape = np.ones_like(hz)
    if kind == "falling":
        shape = np.sqrt(1000.0 / np.maximum(hz, 20.0))
    elif kind == "hump":
        shape = 0.3 + 2.0 * np.exp(-((2 * np.log2(np.maximum(hz, 20.0) / 4000.0)) ** 2))
    shape[hz < 15] = 0.0
    wave = np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) * shape, frames)
    return wave / np.sqrt(np.mean(wave**2))


def hum(
    mains_hz: float,
    harmonics: dict[int, float],
    frames: int,
    rng: np.random.Generator,
    drift_hz: float = 0.0,
) -> tuple[Wave, Wave]:
    """Draw hum of unit rms and the phase of its mains in cycles; drift is a slow random walk."""
    knots = frames // RATE_HZ + 2
    wander = np.zeros(knots)
    for k in range(1, knots):
        wander[k] = 0.95 * wander[k - 1] + rng.normal(0.0, drift_hz * np.sqrt(1 - 0.95**2))
    wander += drift_hz * rng.normal() * 0.5
    seconds = np.arange(frames) / RATE_HZ
    phase = np.cumsum(mains_hz + np.interp(seconds, np.arange(knots), wander)) / RATE_HZ
    phase += rng.random()
    wave = sum(a * np.cos(2 * np.pi * (h * phase + 0.13 * h * h)) for h, a in harmonics.items())
    return wave / np.sqrt(np.mean(wave**2)), phase


def mix(
    instrument: str,
    kind: str,
    snr_db: float,
    seed: int = 0,
    silence_s: float = 6.0,
    seconds: float = 10.0,
) -> Mix:
    """Mix an instrument with hiss at a signal-to-noise ratio; the silence is drawn apart."""
    rng = np.random.default_rng([seed, sorted(INSTRUMENTS).index(instrument), HISSES.index(kind)])
    signal = render(instrument, seed, seconds)
    level = np.sqrt(np.mean(signal**2)) * 10 ** (-snr_db / 20)
    noise = level * hiss(kind, signal.size, rng)
    silence = level * hiss(kind, int(silence_s * RATE_HZ), rng)
    name = f"{instrument}, {kind}, {snr_db:g} dB"
    return Mix(name, signal, np.zeros_like(signal), noise, silence)


def _phrase(instrument: str, seed: int, seconds: float) -> bytes:
    """Return a one-track MIDI file: a line with chords and a rest of a second half way."""
    program, lowest, rate, held = INSTRUMENTS[instrument]
    rng = np.random.default_rng([seed, program])
    scale = [0, 2, 3, 5, 7, 9, 10, 12, 14, 15, 17, 19]
    events: list[tuple[float, bytes]] = [(0.0, bytes([0xC0, program]))]
    when = 0.6
    while when < seconds - 2.0:
        length = float(rng.choice([0.5, 1.0, 1.0, 2.0])) / rate
        notes = {lowest + int(rng.choice(scale))}
        if rng.random() < 0.25:
            notes |= {lowest + 12 + int(rng.choice(scale))}
        loud = int(rng.integers(60, 115))
        for note in sorted(notes):
            events.append((when, bytes([0x90, note, loud])))
            events.append((when + length * (1.0 if held else 1.6), bytes([0x80, note, 0])))
        when += length
        if seconds * 0.45 < when < seconds * 0.45 + length:
            when += 1.0
    events.sort(key=lambda event: event[0])
    ticks_a_second = 960  # 480 a quarter at 120 quarters a minute
    track, last = b"", 0
    for at, message in events:
        tick = int(at * ticks_a_second)
        track += _length(tick - last) + message
        last = tick
    track += _length(2 * ticks_a_second) + b"\xff\x2f\x00"
    return (
        b"MThd"
        + struct.pack(">IHHH", 6, 0, 1, 480)
        + b"MTrk"
        + struct.pack(">I", len(track))
        + track
    )


def _length(value: int) -> bytes:
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(value & 0x7F | 0x80)
    return bytes(reversed(out))


def si_sdr_db(signal: Wave, estimate: Wave) -> float:
    """Scale-invariant signal-to-distortion ratio (Le Roux et al. 2019, eq. 3)."""
    wanted = (estimate @ signal) / (signal @ signal) * signal
    return float(10 * np.log10((wanted @ wanted) / ((estimate - wanted) @ (estimate - wanted))))
