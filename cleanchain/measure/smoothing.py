"""Smoothing of a path whose slope walks at random, with how likely that walk makes what is seen."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

#: Rows that are solved together; the matrix has a band of two beside its diagonal.
_ROWS = 32
#: Stiffness of the level itself over that of its bend: keeps an unseen path at rest.
_REST = 1e-9


@cache
def _stiffness(blocks: int) -> Reals:
    """Matrix whose quadratic form is the sum of squared second differences of so many blocks."""
    bend = np.diff(np.eye(blocks * _ROWS), 2, axis=0)
    matrix: Reals = bend.T @ bend
    return matrix


def smooth_walk(aim: Reals, info: Reals, stiff: Reals) -> tuple[Reals, Reals]:
    """Smooth a path under several stiffnesses at once.

    Parameters
    ----------
    aim : ndarray of shape (n,)
        What is seen of the path.
    info : ndarray of shape (n,)
        One over the variance of each, >= 0.
    stiff : ndarray of shape (walks,)
        One over the variance of the path's second differences, > 0.

    Returns
    -------
    smooth : ndarray of shape (walks, n)
        The path of the greatest posterior probability.
    likely : ndarray of shape (walks,)
        Logarithm of the likelihood of what is seen, but for a constant.

    Notes
    -----
    A Gaussian smoother (Whittaker 1923; the likelihood is that of its state-space form): a matrix
    of five diagonals, solved by blocks so that the work is done in a few dozen small
    factorisations instead of a loop over rows.
    """
    count = max(-(-aim.size // _ROWS), 1) * _ROWS
    seen, weight = np.zeros(count), np.zeros(count)
    seen[: aim.size], weight[: aim.size] = aim, info
    steps = count // _ROWS
    scale = stiff[:, None, None]
    corner = _stiffness(3)[_ROWS : 2 * _ROWS, 2 * _ROWS :]
    coupling = scale * corner
    left: list[Reals] = []
    carried: list[Reals] = []
    taken = np.zeros((stiff.size, _ROWS, _ROWS))
    pushed = np.zeros((stiff.size, _ROWS, 1))
    log_det = np.zeros(stiff.size)
    for step in range(steps):
        # Of three blocks, the first, the middle or the last one stands for it.
        at = 0 if step == 0 else (2 if step == steps - 1 else 1)
        rows = slice(at * _ROWS, (at + 1) * _ROWS)
        stiffness = _stiffness(3)[rows, rows] if steps > 1 else _stiffness(1)
        here = slice(step * _ROWS, (step + 1) * _ROWS)
        block = scale * (stiffness + _REST * np.eye(_ROWS)) + np.diag(weight[here]) - taken
        right = (weight[here] * seen[here])[:, None] - pushed
        solved = np.linalg.solve(block, np.concatenate([coupling, right], axis=-1))
        log_det += np.linalg.slogdet(block)[1]
        left.append(solved[..., :_ROWS])
        carried.append(solved[..., _ROWS:])
        turned = np.swapaxes(coupling, -1, -2)
        taken, pushed = turned @ left[-1], turned @ carried[-1]
    path = np.empty((stiff.size, count))
    after = np.zeros((stiff.size, _ROWS, 1))
    for step in range(steps - 1, -1, -1):
        after = carried[step] - (left[step] @ after if step < steps - 1 else 0.0)
        path[:, step * _ROWS : (step + 1) * _ROWS] = after[..., 0]
    misfit = (weight * (seen - path) ** 2).sum(axis=1)
    misfit += stiff * (np.diff(path, 2, axis=1) ** 2).sum(axis=1)
    likely = 0.5 * ((count - 2) * np.log(stiff) - misfit - log_det)
    return path[:, : aim.size], likely
