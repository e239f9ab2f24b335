"""How surely a signal stands out of noise in a cell, and what cost that lets expect."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cleanchain.measure.cells import MARGIN_DB, Cell

#: Why there is no cost where no cell is likely heard.
NOT_HEARD = f"nowhere does the signal stand {MARGIN_DB:g} dB above the noise"
#: Draws of the hiss in a cell.
_DRAWS = 2000
#: Signals are taken to be louder than x times the hiss in one cell of 1 + x over this: loud ones
#: are rarer, as on generated mixtures, where chances come true about as often as they are told.
USUAL = 0.1
#: Part of all cases that an interval leaves out at each end.
_TAIL = 0.05


def chance_heard(
    noisy: float,
    hiss: float,
    hum: float,
    dof: float,
    learned_dof: float,
    rng: np.random.Generator,
) -> float:
    """Return the probability that a signal stands `MARGIN_DB` above the noise of a cell.

    Parameters
    ----------
    noisy : float
        Power of signal and hiss together, as it was seen.
    hiss : float
        Mean power of the hiss, as the silence lets expect.
    hum : float
        Power of the hum, which is not in `noisy` but must be stood out of too.
    dof : float
        Independent complex values in the cell.
    learned_dof : float
        The same in what the mean power was learned from.
    rng : numpy.random.Generator
        Where chance comes from.

    Notes
    -----
    By drawing the hiss in the cell: its part a in step with the signal, complex Gaussian, and the
    rest r, gamma distributed. What was seen is ``|sqrt(s) + a|^2 + r``; each draw is solved for
    the signal's power s and weighs as much as that power is likely beforehand.
    """
    if hiss <= 0.0:
        return float(noisy > 10 ** (MARGIN_DB / 10) * hum and noisy > 0.0)
    dof = max(dof, 1.0)
    mean = hiss * rng.gamma(max(learned_dof, 1.0), 1 / max(learned_dof, 1.0), _DRAWS) / dof
    real, imag = rng.standard_normal((2, _DRAWS)) * np.sqrt(mean / 2)
    rest = rng.gamma(max(dof - 1.0, 1e-3), 1.0, _DRAWS) * mean
    root = np.sqrt(np.maximum(noisy - rest - imag**2, 0.0))
    there = root > np.maximum(real, 0.0)
    if not there.any():
        return 0.0
    amplitude = (root - real)[there]
    weight = amplitude / root[there] / (amplitude**2 + USUAL * hiss) ** 2
    noise = (real**2 + imag**2 + rest)[there] + hum
    heard = amplitude**2 > 10 ** (MARGIN_DB / 10) * noise
    return float(weight[heard].sum() / weight.sum())


def expected_cost(found: Sequence[Cell]) -> tuple[float, float, float, Cell] | None:
    """Return the largest loss that is to be expected of cells that may or may not be heard.

    Returns
    -------
    mean, low, high : float
        Of the largest loss of the cells that are heard, given that any is, dB; it lies between
        the other two in nine of ten cases.
    where : Cell
        That which has the largest part in the mean.
    None where it is more likely that none is heard.
    """
    cells = [cell for cell in found if cell.loss_db is not None and cell.chance > 0.0]
    cells.sort(key=lambda cell: cell.loss_db or 0.0, reverse=True)
    lost = np.array([cell.loss_db for cell in cells], dtype=float)
    chance = np.array([cell.chance for cell in cells])
    # The largest is that of a cell where it is heard and none of those that lose more.
    largest = chance * np.cumprod(np.concatenate([[1.0], 1 - chance]))[:-1]
    if largest.sum() < 0.5:
        return None
    largest /= largest.sum()
    below = np.cumsum(largest)
    high, low = (float(lost[np.searchsorted(below, part)]) for part in (_TAIL, 1 - _TAIL))
    where = cells[int(np.argmax(largest * np.maximum(lost, 1e-9)))]
    return float(largest @ lost), low, high, where
