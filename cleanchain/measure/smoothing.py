"""Smoothing of a path whose slope walks at random, with how likely that walk makes what is seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.five_diagonals import solve

Reals = NDArray[np.float64]

#: Stiffness of the level itself over that of its bend: keeps an unseen path at rest.
_REST = 1e-9


def _bend(count: int) -> Reals:
    """Matrix whose quadratic form is the sum of squared second differences, and a little rest.

    Returns
    -------
    ndarray of shape (3, count)
        Its diagonal and the two below.
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
    of five diagonals.
    """
    diagonals = stiff[:, None] * _bend(aim.size)[:, None]
    diagonals[0] += info
    smooth, log_det = solve(diagonals, info * aim)
    misfit = (info * (aim - smooth) ** 2).sum(axis=1)
    misfit += stiff * (np.diff(smooth, 2) ** 2).sum(axis=1)
    return smooth, 0.5 * ((aim.size - 2) * np.log(stiff) - misfit - log_det)
