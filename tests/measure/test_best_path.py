from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.best_path import Moves, Votes, best_path


def heard(votes: np.ndarray) -> Votes:
    return lambda first, last: votes[first:last]


def slowly(votes: np.ndarray, moves: Moves) -> float:
    """Highest sum of votes less prices over all paths, step by step and phase by phase."""
    total = votes[0].astype(float)
    phases = votes.shape[1]
    for row in votes[1:]:
        new = np.full(phases, -np.inf)
        for to in range(phases):
            for start in range(phases):
                away = min((to - start) % phases, (start - to) % phases)
                price = moves.price * away**2 if away <= moves.reach else np.inf
                new[to] = max(new[to], total[start] - min(price, moves.jump))
        total = new + row
    return float(total.max())


def worth(votes: np.ndarray, path: np.ndarray, moves: Moves) -> float:
    """Votes along a path less the prices of its steps."""
    phases = votes.shape[1]
    away = (np.diff(path) + phases // 2) % phases - phases // 2
    prices = np.where(np.abs(away) <= moves.reach, moves.price * away**2, np.inf)
    return float(votes[np.arange(path.size), path].sum() - np.minimum(prices, moves.jump).sum())


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("moves", [Moves(3, 0.2, 5.0), Moves(1, 1.5, 2.5), Moves(5, 0.01, 50.0)])
def test_no_path_gathers_more(seed: int, moves: Moves) -> None:
    votes = np.random.default_rng(seed).normal(0, 2, (3, 15, 16)).astype(np.float32)
    telling, path, jumps, gathered = best_path([heard(one) for one in votes], 15, moves)
    best = [slowly(one, moves) for one in votes]
    # Single precision: 15 sums of numbers below 30.
    np.testing.assert_allclose(gathered, best, atol=1e-4)
    assert telling == int(np.argmax(best))
    assert worth(votes[telling], path, moves) == pytest.approx(best[telling], abs=1e-4)
    far = np.abs((np.diff(path) + 8) % 16 - 8) > moves.reach
    assert jumps == (np.flatnonzero(far) + 1).tolist()


def test_one_time_is_its_highest_phase() -> None:
    votes = np.array([[[0.0, 3.0, 1.0, 2.0]]], dtype=np.float32)
    telling, path, jumps, gathered = best_path([heard(votes[0])], 1, Moves(1, 1.0, 4.0))
    assert (telling, path.tolist(), jumps, gathered.tolist()) == (0, [1], [], [3.0])


@pytest.mark.parametrize("some", [1, 4, 7, 15])
def test_the_path_is_the_same_some_times_at_a_time(
    some: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    moves = Moves(3, 0.2, 5.0)
    votes = np.random.default_rng(9).normal(0, 2, (3, 15, 16)).astype(np.float32)
    tellings = [heard(one) for one in votes]
    whole = best_path(tellings, 15, moves)
    monkeypatch.setattr("cleanchain.measure.best_path._SOME", some)
    parts = best_path(tellings, 15, moves)
    assert (parts[0], parts[1].tolist(), parts[2]) == (whole[0], whole[1].tolist(), whole[2])
    np.testing.assert_allclose(parts[3], whole[3])
