"""Smoothing of a path whose slope walks at random, with how likely that walk makes what is seen."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

#: Rows of a block; the matrix has a band of two beside its diagonal.
_ROWS = 4
#: Blocks that are solved as one matrix.
_FEW = 8
#: Stiffness of the level itself over that of its bend: keeps an unseen path at rest.
_REST = 1e-9


@cache
def _stiffness(blocks: int) -> tuple[Reals, Reals]:
    """Matrix whose quadratic form is the sum of squared second differences of so many blocks.

    Returns
    -------
    diagonal, beside : ndarray of shape (blocks, rows, rows)
        Its blocks on the diagonal, and those to their right, the last of which is zero.
    """
    few = min(blocks, 3)
    bend = np.diff(np.eye(few * _ROWS), 2, axis=0)
    matrix = (bend.T @ bend + _REST * np.eye(few * _ROWS)).reshape(few, _ROWS, few, _ROWS)
    # Of three blocks, the first, the middle or the last one stands for each of many.
    kinds = np.full(blocks, few // 2)
    kinds[0], kinds[-1] = 0, few - 1
    beside = np.zeros((blocks, _ROWS, _ROWS))
    if blocks > 1:
        beside[:-1] = matrix[0, :, 1]
    return matrix[kinds, :, kinds], beside


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
    of five diagonals, in blocks of which every other one is eliminated until one is left (cyclic
    reduction: Hockney 1965, from memory), so that a few dozen calls do the work of all rows.
    """
    blocks = max(-(-aim.size // _ROWS), 1)
    count = blocks * _ROWS
    seen, weight = np.zeros(count), np.zeros(count)
    seen[: aim.size], weight[: aim.size] = aim, info
    diagonal, beside = (stiff[:, None, None, None] * part for part in _stiffness(blocks))
    rows = np.arange(_ROWS)
    diagonal[:, :, rows, rows] += weight.reshape(blocks, _ROWS)
    right = np.broadcast_to((weight * seen).reshape(blocks, _ROWS, 1), (*beside.shape[:3], 1))
    solved, log_det = _solve(diagonal, beside, right)
    path = solved.reshape(stiff.size, count)
    misfit = (weight * (seen - path) ** 2).sum(axis=1)
    misfit += stiff * (np.diff(path, 2, axis=1) ** 2).sum(axis=1)
    likely = 0.5 * ((count - 2) * np.log(stiff) - misfit - log_det)
    return path[:, : aim.size], likely


def _solve(diagonal: Reals, beside: Reals, right: Reals) -> tuple[Reals, Reals]:
    """Solve a symmetric system of blocks beside a diagonal.

    Parameters
    ----------
    diagonal, beside : ndarray of shape (systems, blocks, rows, rows)
        Blocks on the diagonal, and those to their right.
    right : ndarray of shape (systems, blocks, rows, 1)

    Returns
    -------
    solved : ndarray of shape (systems, blocks, rows, 1)
    log_det : ndarray of shape (systems,)
        Logarithm of the determinant.
    """
    if diagonal.shape[1] <= _FEW:
        return _solve_few(diagonal, beside, right)
    odd = diagonal[:, 1::2]
    count, more = odd.shape[1], diagonal.shape[1] - odd.shape[1] - 1
    before, after = beside[:, 0 : 2 * count : 2], beside[:, 1::2]
    before_t, after_t = np.swapaxes(before, -1, -2), np.swapaxes(after, -1, -2)
    by = np.linalg.solve(odd, np.concatenate([before_t, after, right[:, 1::2]], axis=-1))
    to_left, to_right, alone = by[..., :_ROWS], by[..., _ROWS : 2 * _ROWS], by[..., 2 * _ROWS :]
    # What is left of the even blocks, each beside the next even one.
    kept, pull = diagonal[:, ::2].copy(), right[:, ::2].copy()
    kept[:, :count] -= before @ to_left
    kept[:, 1:] -= after_t[:, :more] @ to_right[:, :more]
    pull[:, :count] -= before @ alone
    pull[:, 1:] -= after_t[:, :more] @ alone[:, :more]
    linked = np.zeros_like(kept)
    linked[:, :more] = -before[:, :more] @ to_right[:, :more]
    even, log_det = _solve(kept, linked, pull)
    solved = np.empty_like(right)
    solved[:, ::2] = even
    solved[:, 1::2] = alone - to_left @ even[:, :count]
    solved[:, 1 : 1 + 2 * more : 2] -= to_right[:, :more] @ even[:, 1:]
    return solved, log_det + np.linalg.slogdet(odd)[1].sum(axis=1)


def _solve_few(diagonal: Reals, beside: Reals, right: Reals) -> tuple[Reals, Reals]:
    """Do the same as one matrix."""
    systems, blocks, rows, _ = diagonal.shape
    matrix = np.zeros((systems, blocks, rows, blocks, rows))
    at = np.arange(blocks)
    matrix[:, at, :, at] = np.swapaxes(diagonal, 0, 1)
    matrix[:, at[:-1], :, at[1:]] = np.swapaxes(beside[:, :-1], 0, 1)
    matrix[:, at[1:], :, at[:-1]] = np.swapaxes(np.swapaxes(beside[:, :-1], 0, 1), -1, -2)
    whole = matrix.reshape(systems, blocks * rows, blocks * rows)
    solved = np.linalg.solve(whole, right.reshape(systems, blocks * rows, 1))
    log_det: Reals = np.linalg.slogdet(whole)[1]
    return np.asarray(solved.reshape(right.shape), dtype=np.float64), log_det
