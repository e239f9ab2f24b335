"""Equations with five diagonals, against scipy's banded solver and numpy's determinant."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import solveh_banded

from cleanchain.measure.five_diagonals import solve


def draw(systems: int, n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Draw diagonally dominant matrices and a right side."""
    rng = np.random.default_rng(seed)
    diagonals = rng.standard_normal((3, systems, n))
    diagonals[0] = 0.1 + 2 * (np.abs(diagonals[1]) + np.abs(diagonals[2]))
    for shift in (1, 2):
        reached = np.abs(diagonals[shift])[:, : max(n - shift, 0)]
        diagonals[0, :, shift:] += reached
    return diagonals, rng.standard_normal(n)


@given(systems=st.integers(1, 3), n=st.integers(1, 70), seed=st.integers(0, 2**32 - 1))
def test_solution_and_determinant(systems: int, n: int, seed: int) -> None:
    diagonals, right = draw(systems, n, seed)
    solution, log_det = solve(diagonals, right)
    for system in range(systems):
        bands = diagonals[:, system].copy()
        whole = np.diag(bands[0])
        for shift in (1, 2):
            if n > shift:
                whole += np.diag(bands[shift, : n - shift], shift)
                whole += np.diag(bands[shift, : n - shift], -shift)
        wanted = np.linalg.solve(whole, right)
        assert solution[system] == pytest.approx(wanted, rel=1e-9, abs=1e-12)
        assert log_det[system] == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-9, abs=1e-9)
        if n > 2:
            banded = solveh_banded(bands, right, lower=True)
            assert solution[system] == pytest.approx(banded, rel=1e-9, abs=1e-12)


def test_a_long_chain_of_stiff_links() -> None:
    # Second differences a million times as stiff as what is seen: condition of some 1e7.
    n = 5001
    diagonals = np.zeros((3, 1, n))
    for shift, square in enumerate((1.0, 4.0, 1.0)):
        diagonals[0, 0, shift : n - 2 + shift] += square
    diagonals[1, 0, : n - 1] -= 2.0
    diagonals[1, 0, 1 : n - 2] -= 2.0
    diagonals[2, 0, : n - 2] += 1.0
    diagonals *= 1e6
    diagonals[0] += 1.0
    right = np.random.default_rng(1).standard_normal(n)
    wanted = solveh_banded(diagonals[:, 0], right, lower=True)
    assert solve(diagonals, right)[0][0] == pytest.approx(wanted, abs=1e-8 * np.abs(wanted).max())
