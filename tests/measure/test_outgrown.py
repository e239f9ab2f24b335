"""Lines of a take that are too loud to be those of its hum."""

from __future__ import annotations

import numpy as np

from cleanchain.measure.hum_in_take import outgrown
from cleanchain.measure.line_path import LinesModel


def marked(levels_db: dict[int, float]) -> set[int]:
    amplitudes = 10 ** (np.array([list(levels_db.values())]) / 20)
    nothing = np.zeros_like(amplitudes)
    model = LinesModel(50.0, tuple(levels_db), amplitudes.astype(complex), nothing, nothing)
    return {h for h, far in zip(levels_db, outgrown(model), strict=True) if far}


def test_a_note_on_a_high_harmonic_is_marked_with_its_multiples() -> None:
    assert marked({1: -47, 3: -53, 7: -61, 11: -20, 13: -70, 22: -40, 33: -66}) == {11, 22, 33}


def test_a_hum_of_rising_lines_is_one() -> None:
    """A rectifier's even lines over a weak fundamental, and a hum behind a low cut."""
    assert marked({1: -70, 2: -40, 4: -46, 6: -50}) == set()
    assert marked({1: -90, 3: -62, 5: -53, 7: -50, 9: -49}) == set()
