"""Smoothing of a path whose slope walks at random, with how likely that walk makes what is seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

#: Stiffness of the level itself over that of its bend: keeps an unseen path at rest.
_REST = 1e-9


def _bend(count: int) -> Reals:
    """Matrix whose quadratic form is the sum of squared second differences, and a little rest.

    Returns
    -------
    ndarray of shape (3, count)
        Its diagonal and the two below, as LAPACK has bands.
    """
    bands = np.zeros((3, count))
    bands[0] = _REST
    for shift, square in enumerate((1.0, 4.0, 1.0)):
        bands[0, shift : max(count - 2 + shift, shift)] += square
    for shift in (0, 1):
        bands[1, shift : max(count - 2 + shift, shift)] -= 2.0
    bands[2, : max(count - 2, 0)] += 1.0
    return bands


def smooth_walk(aim: Reals, info: Reals, stiff: Reals) -> tuple[Reals, Reals]:
    """Smooth a path under several stiffnesses.

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
    of five diagonals, solved by its Cholesky factor.
    """
    from scipy.linalg import cho_solve_banded, cholesky_banded

    bend = _bend(aim.size)
    smooth, likely = np.empty((stiff.size, aim.size)), np.empty(stiff.size)
    for walk, one in enumerate(stiff):
        bands = one * bend
        bands[0] += info
        factor = cholesky_banded(bands, overwrite_ab=True, lower=True, check_finite=False)
        path = cho_solve_banded((factor, True), info * aim, overwrite_b=True, check_finite=False)
        misfit = (info * (aim - path) ** 2).sum() + one * (np.diff(path, 2) ** 2).sum()
        log_det = 2 * np.log(factor[0]).sum()
        smooth[walk], likely[walk] = path, 0.5 * ((aim.size - 2) * np.log(one) - misfit - log_det)
    return smooth, likely
