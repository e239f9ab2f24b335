"""Many equations whose matrix has five diagonals, solved by cyclic reduction."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]


def solve(diagonals: Reals, right: Reals) -> tuple[Reals, Reals]:
    """Solve symmetric positive definite equations with five diagonals.

    Parameters
    ----------
    diagonals : ndarray of shape (3, systems, n)
        The main diagonal and the two below it; what reaches beyond the matrix is not looked at.
    right : ndarray of shape (n,)
        Right side, the same for all systems.

    Returns
    -------
    solution : ndarray of shape (systems, n)
    log_det : ndarray of shape (systems,)
        Logarithm of the determinant of each matrix.

    Notes
    -----
    Taken in pairs the unknowns are neighbours in a chain. Every second pair is eliminated, all of
    them at once, until one is left (Hockney 1965; Golub and Van Loan, Matrix Computations, on
    block cyclic reduction; both from memory). The order is that of a Cholesky factorisation with
    its rows in another order, so it is as stable. Whole arrays are worked on throughout, which
    makes it as quick as LAPACK, whose import alone takes longer than all of this.
    """
    systems, n = diagonals.shape[1:]
    # A last unknown for itself where their number is odd.
    main, near, far = np.zeros((3, systems, n + n % 2))
    main[:, n:] = 1.0
    main[:, :n] = diagonals[0]
    near[:, : n - 1] = diagonals[1, :, : n - 1]
    far[:, : max(n - 2, 0)] = diagonals[2, :, : max(n - 2, 0)]
    own = np.array([[main[:, ::2], near[:, ::2]], [near[:, ::2], main[:, 1::2]]])
    link = np.array([[far[:, ::2], near[:, 1::2]], [np.zeros_like(far[:, ::2]), far[:, 1::2]]])
    aim = np.zeros((n + n % 2,))
    aim[:n] = right
    pairs = np.broadcast_to(aim.reshape(-1, 2).T[:, None, None], (2, 1, systems, aim.size // 2))
    solution, log_det = _reduced(own, link[..., :-1], pairs)
    return solution[:, 0].transpose(1, 2, 0).reshape(systems, -1)[:, :n], log_det


def _reduced(own: Reals, link: Reals, right: Reals) -> tuple[Reals, Reals]:
    """Solve a chain of pairs.

    Parameters
    ----------
    own : ndarray of shape (2, 2, systems, pairs)
        Blocks on the diagonal.
    link : ndarray of shape (2, 2, systems, pairs - 1)
        Blocks below it, each with the rows of a pair and the columns of the one before.
    right : ndarray of shape (2, 1, systems, pairs)
    """
    if own.shape[-1] == 1:
        inverse, log_det = _inverse(own)
        return _times(inverse, right), log_det[:, 0]
    inverse, log_dets = _inverse(own[..., 1::2])
    before, after = link[..., ::2], link[..., 1::2]
    odd, last = before.shape[-1], after.shape[-1]
    alone = _times(inverse, right[..., 1::2])
    by_before = _times(inverse, before)
    by_after = _times(inverse[..., :last], _turned(after))
    even, even_right = own[..., ::2].copy(), right[..., ::2].copy()
    even[..., :odd] -= _times(_turned(before), by_before)
    even[..., 1 : last + 1] -= _times(after, by_after)
    even_right[..., :odd] -= _times(_turned(before), alone)
    even_right[..., 1 : last + 1] -= _times(after, alone[..., :last])
    found, log_det = _reduced(even, -_times(after, by_before[..., :last]), even_right)
    out = np.empty_like(right)
    out[..., ::2] = found
    out[..., 1::2] = alone - _times(by_before, found[..., :odd])
    out[..., 1::2][..., :last] -= _times(by_after, found[..., 1 : last + 1])
    return out, log_det + log_dets.sum(axis=-1)


def _inverse(blocks: Reals) -> tuple[Reals, Reals]:
    """Return the inverse of symmetric blocks and the logarithm of each one's determinant."""
    (a, b), (_, c) = blocks
    det = a * c - b * b
    return np.array([[c, -b], [-b, a]]) / det, np.log(det)


def _times(one: Reals, other: Reals) -> Reals:
    product: Reals = one[:, :1] * other[:1] + one[:, 1:] * other[1:]
    return product


def _turned(blocks: Reals) -> Reals:
    return blocks.swapaxes(0, 1)
