"""Lines of a hum that are hardly there: their power together is right in the mean."""

from __future__ import annotations

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.measure.hum import learn_silence
from cleanchain.measure.mains import NOMINAL_HZ, find_candidates

RATE_HZ, SECONDS = 8000, 8
#: Lines that eight seconds of this hiss do not show clearly in any draw: were the ones that chance
#: makes clear counted out, the mean of the others would be too small.
FAINT = dict.fromkeys((2, 4, 6, 7, 8, 9, 10, 12), 0.001)


def faint_power(seed: int, faint: dict[int, float]) -> float:
    """Power of what a silence shows faintly of a hum."""
    rng = np.random.default_rng(seed)
    t = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    lines = {1: 0.1, 3: 0.05, **faint}
    turns = rng.random(len(lines))
    wave = 0.05 * rng.standard_normal(t.size)
    for (harmonic, size), turn in zip(lines.items(), turns, strict=True):
        wave += size * np.cos(2 * np.pi * (50.02 * harmonic * t + turn))
    silence = Capture(wave, RATE_HZ)
    model = learn_silence(silence, find_candidates(silence, NOMINAL_HZ)[0])
    assert model is not None
    assert model.faint is not None
    assert set(model.faint.harmonics).isdisjoint(model.harmonics)
    return float(0.5 * (np.abs(model.faint.amplitudes) ** 2).sum())


def test_what_a_silence_hides_of_a_hum_is_found_in_the_mean() -> None:
    true = 0.5 * sum(size**2 for size in FAINT.values())
    found = np.array([faint_power(seed, FAINT) for seed in range(40)])
    none = np.array([faint_power(seed, {}) for seed in range(40)])
    # Chance leaves some where there is nothing, for less than nothing is not told.
    spread = found.std() / np.sqrt(found.size)
    assert abs(found.mean() - true) < 3 * spread + none.mean()
    assert none.mean() < 0.05 * true
