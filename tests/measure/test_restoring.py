"""A signal put back under noise: as much as there is, and none where there is none."""

from __future__ import annotations

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.measure.noise_floor import learn_floor
from cleanchain.measure.restoring import restore
from cleanchain.stages.gate import gate_frames
from cleanchain.stages.gate_rules import EstimateRule

RATE_HZ = 16_000


def restored(signal: np.ndarray, seed: int) -> np.ndarray:
    """Draw a signal from its sum with white hiss of unit power."""
    rng = np.random.default_rng(seed)
    frames = gate_frames(RATE_HZ)[0]
    silence = rng.standard_normal((1, 6 * RATE_HZ))
    floor = learn_floor(Capture(silence, RATE_HZ), frames)
    noisy = signal[None] + rng.standard_normal((1, signal.size))
    draw = rng.standard_normal((1, signal.size + 2 * frames.size))
    heard = round(floor.used_s * RATE_HZ / frames.hop)
    rule = EstimateRule("long", floor.power, 0.0, False)
    return restore(noisy, floor.power, heard, draw, frames, rule)[0]


def band(wave: np.ndarray, low_hz: float, high_hz: float) -> float:
    hz = np.fft.rfftfreq(wave.size, 1 / RATE_HZ)
    spectrum = np.abs(np.fft.rfft(wave)) ** 2
    return float(spectrum[(hz >= low_hz) & (hz < high_hz)].sum() / wave.size**2 * 2)


def test_no_signal_is_put_where_there_is_only_hiss() -> None:
    time = np.arange(8 * RATE_HZ) / RATE_HZ
    signal = 2.0 * np.sin(2 * np.pi * 440 * time) * np.exp(-3 * (time % 1.0))
    out = restored(signal, 1)
    power, true = band(out, 300, 600), band(signal, 300, 600)
    assert abs(10 * np.log10(power / true)) < 0.5
    # Of the hiss above the note, half of all there is, less than 1 % passes for signal.
    assert band(out, 3000, 7000) < 0.01 * 0.5


def test_hiss_alone_holds_next_to_no_signal() -> None:
    out = restored(np.zeros(8 * RATE_HZ), 2)
    assert np.mean(out**2) < 0.01
