from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.smoothing import smooth_walk

STIFF = np.array([0.3, 40.0, 5000.0])


def dense(aim: np.ndarray, info: np.ndarray, stiff: float) -> np.ndarray:
    """Minimum of the weighted squares and the squared second differences, as one matrix."""
    bend = np.diff(np.eye(aim.size), 2, axis=0)
    return np.linalg.solve(np.diag(info) + stiff * bend.T @ bend, info * aim)


@pytest.mark.parametrize("size", [3, 4, 5, 31, 32, 33, 36, 37, 64, 65, 69, 150, 331])
def test_the_path_is_that_of_the_whole_matrix(size: int) -> None:
    rng = np.random.default_rng(size)
    aim, info = np.cumsum(rng.standard_normal(size)), rng.exponential(2.0, size)
    smooth, _ = smooth_walk(aim, info, STIFF)
    for row, stiff in zip(smooth, STIFF, strict=True):
        # The level itself is held by a billionth of the stiffness.
        np.testing.assert_allclose(row, dense(aim, info, stiff), atol=1e-4 * np.ptp(aim))


@pytest.mark.parametrize("size", [40, 200])
def test_the_likelihood_is_that_of_a_random_walk_of_the_slope(size: int) -> None:
    """Differences between stiffnesses agree with the density of second differences of the aim."""
    rng = np.random.default_rng(size)
    aim, info = 0.3 * np.cumsum(np.cumsum(rng.standard_normal(size))), np.full(size, 2.0)
    bend = np.diff(np.eye(size), 2, axis=0)
    seen = bend @ aim
    _, likely = smooth_walk(aim, info, STIFF)
    exact = []
    for stiff in STIFF:
        spread = np.eye(size - 2) / stiff + bend @ np.diag(1 / info) @ bend.T
        exact.append(-0.5 * (np.linalg.slogdet(spread)[1] + seen @ np.linalg.solve(spread, seen)))
    np.testing.assert_allclose(np.diff(likely), np.diff(exact), atol=0.02)


def test_what_is_not_seen_goes_on_straight() -> None:
    info = np.zeros(50)
    info[:20] = 100.0
    smooth, _ = smooth_walk(0.5 * np.arange(50.0), info, np.array([10.0]))
    np.testing.assert_allclose(smooth[0], 0.5 * np.arange(50.0), atol=0.05)
