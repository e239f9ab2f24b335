"""How loud a hum of known waveform is along a recording, and how long each level is averaged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum_cells import Cells, at_seconds
from cleanchain.operators.harmonics import Amplitudes, Reals

#: Levels before and after one that it may be averaged with.
HALVES = (0, 2, 4, 8, 16, 32, 62)
#: Standard deviations that two averages may differ by, and how much longer than a cell a note is.
DIFFER_SD, COHERENCE = 2.5, 3.0


def noise_of(cells: Cells, expected: Amplitudes, phase: Reals) -> Reals:
    """Power of all but the hum: what is left on the line and what is beside it, over a second."""
    left = np.abs(cells.stilled(phase) - expected) ** 2
    power = 0.5 * left + 0.5 * cells.beside
    padded = np.pad(power, ((0, 0), (1, 1), (0, 0)), mode="edge")
    smooth: Reals = (padded[:, :-2] + 2 * padded[:, 1:-1] + padded[:, 2:]) / 4
    return smooth


def levels_of(cells: Cells, shape: Amplitudes, phase: Reals, noise: Reals) -> Reals:
    """Level of the hum in each cell, shape (channels, cells)."""
    level = average_levels(cells, shape, phase, noise)[1]
    mean: Reals = np.clip(0.5 * (level[:, ::2] + level[:, 1::2]), 0.0, 4.0)
    return mean


def average_levels(
    cells: Cells, shape: Amplitudes, phase: Reals, noise: Reals
) -> tuple[NDArray[np.int_], Reals, Reals]:
    """Choose how long each level is averaged over: as long as shorter averages agree with.

    Returns
    -------
    half : ndarray of int, shape (channels, bins)
        Two bins a cell.
    level, sd : ndarray of shape (channels, bins)
        The level that comes of it, and its standard deviation.

    Notes
    -----
    The rule of intersecting confidence intervals (Goldenshluger and Nemirovski 1997): from short
    to long, an average is taken as long as its interval meets those of all shorter ones.
    """
    still = cells.stilled(phase)
    shape = shape if shape.ndim == 3 else shape[:, None]
    wanted = 2 * shape / noise
    count = 2 * cells.count
    seconds = (np.arange(count) + 0.5) * cells.step_s / 2
    top = at_seconds((still * wanted.conj()).real.sum(axis=-1), cells.step_s, seconds, 1) / 2
    bottom = at_seconds((shape * wanted.conj()).real.sum(axis=-1), cells.step_s, seconds, 1) / 2
    low, high = np.full(top.shape, -np.inf), np.full(top.shape, np.inf)
    going = np.ones(top.shape, dtype=bool)
    half = np.zeros(top.shape, dtype=int)
    level, sd = np.zeros(top.shape), np.zeros(top.shape)
    for size in HALVES:
        weight = np.hanning(2 * size + 3)[1:-1]
        total = np.maximum(_around(bottom, weight), 1e-12)
        value = _around(top, weight) / total
        spread = np.sqrt(COHERENCE * _around(bottom, weight**2)) / total
        low = np.maximum(low, value - DIFFER_SD * spread)
        high = np.minimum(high, value + DIFFER_SD * spread)
        going &= low <= high
        half[going], level[going], sd[going] = size, value[going], spread[going]
        if not going.any():
            break
    return half, level, sd


def _around(values: Reals, weight: Reals) -> Reals:
    """Sum values along the last axis under a window, nothing beyond the ends."""
    return np.stack([np.convolve(row, weight, mode="full") for row in values])[
        :, weight.size // 2 : weight.size // 2 + values.shape[-1]
    ]
