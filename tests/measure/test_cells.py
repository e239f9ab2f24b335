"""Parts of notes, and how much independent noise an octave holds in them."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.cells import PARTS, independent_values, parts_of_notes
from cleanchain.measure.octaves import octave_powers, width_hz

RATE_HZ = 8000


def names(wave: np.ndarray) -> list[str]:
    return [PARTS[k] for k in parts_of_notes(wave[None], RATE_HZ)]


def test_what_sounds_from_the_first_moment_has_no_attack() -> None:
    time = np.arange(RATE_HZ) / RATE_HZ
    tone = np.sin(2 * np.pi * 440 * time)
    assert set(names(tone)) == {"body"}
    late = tone * (time >= 0.5)
    assert names(late)[50:53] == ["attack"] * 3
    assert names(late).count("attack") == 3


@pytest.mark.parametrize(("octave", "hz"), [(0, 31.5), (3, 250.0)])
def test_the_power_of_noise_scatters_as_independent_values_say(octave: int, hz: float) -> None:
    rng = np.random.default_rng(octave)
    inside = np.zeros(400, dtype=bool)
    for first in (50, 130, 260):
        inside[first : first + 20] = True
    sums = [
        octave_powers(rng.standard_normal((1, 4 * RATE_HZ)), RATE_HZ)[octave, inside].sum()
        for _ in range(300)
    ]
    # The power of n complex values has a relative variance of 1 / n.
    found = np.mean(sums) ** 2 / np.var(sums)
    assert found == pytest.approx(independent_values(inside, hz), rel=0.3)
    assert width_hz(hz) == pytest.approx(hz / np.sqrt(2), rel=0.02)
