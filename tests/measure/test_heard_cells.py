"""Chances that a signal is heard in a cell, against drawn cells, and what they let expect."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.cells import Cell
from cleanchain.measure.heard_cells import USUAL, chance_heard, expected_cost


def drawn_cells(count: int, dof: int, hum: float, rng: np.random.Generator) -> tuple:
    """Signals as they are presumed to be, each under hiss of mean power 1."""
    signal = USUAL * (1 / (1 - rng.random(count)) - 1)
    at = np.zeros((count, dof), dtype=complex)
    at[:, 0] = np.sqrt(signal)
    hiss = (rng.standard_normal((count, dof)) + 1j * rng.standard_normal((count, dof))) / np.sqrt(
        2 * dof
    )
    noisy = (np.abs(at + hiss) ** 2).sum(axis=1)
    heard = signal > 10**0.6 * ((np.abs(hiss) ** 2).sum(axis=1) + hum)
    return noisy, heard


@pytest.mark.parametrize(("dof", "hum"), [(2, 0.0), (8, 0.0), (8, 1.0), (60, 0.0)])
def test_chances_come_true_as_often_as_they_are_told(dof: int, hum: float) -> None:
    rng = np.random.default_rng(dof)
    noisy, heard = drawn_cells(60_000, dof, hum, rng)
    near = np.flatnonzero((noisy > 2 + 2 * hum) & (noisy < 12 + 5 * hum))[:1500]
    told = np.array([chance_heard(noisy[k], 1.0, hum, dof, 1e6, rng) for k in near])
    for low, high in ((0.0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 1.01)):
        some = (told >= low) & (told < high)
        if some.sum() < 30:
            continue
        # Three standard deviations of a share, and one in a hundred for the draws.
        doubt = 3 * np.sqrt(told[some].mean() * (1 - told[some].mean()) / some.sum()) + 0.01
        assert heard[near][some].mean() == pytest.approx(told[some].mean(), abs=doubt)


def test_without_hiss_it_is_known() -> None:
    rng = np.random.default_rng(0)
    assert chance_heard(4.1, 0.0, 1.0, 5.0, 100.0, rng) == 1.0
    assert chance_heard(3.9, 0.0, 1.0, 5.0, 100.0, rng) == 0.0
    assert chance_heard(0.0, 0.0, 0.0, 5.0, 100.0, rng) == 0.0


def cell(lost_db: float, chance: float) -> Cell:
    return Cell(31.5 if lost_db > 10 else 1000.0, "attack", lost_db, None, chance)


def test_the_expected_cost_weighs_what_may_be_heard() -> None:
    mean, low, high, where = expected_cost([cell(1.0, 1.0), cell(30.0, 0.25)])
    assert mean == pytest.approx(0.25 * 30 + 0.75 * 1)
    assert (low, high) == (1.0, 30.0)
    assert where.octave_hz == 31.5
    mean, low, high, where = expected_cost([cell(1.0, 1.0), cell(30.0, 0.01)])
    assert (low, high, where.octave_hz) == (1.0, 1.0, 1000.0)


def test_as_many_as_not_must_be_heard() -> None:
    assert expected_cost([]) is None
    assert expected_cost([cell(3.0, 0.4)]) is None
    assert expected_cost([cell(3.0, 0.4), cell(2.0, 0.4)]) is not None
