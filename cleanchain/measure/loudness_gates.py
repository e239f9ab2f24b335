"""Loudness of many blocks at once: the gates of ITU-R BS.1770-5 and of EBU Tech 3342."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ABSOLUTE_GATE_LUFS = -70.0
#: BS.1770-5 Annex 1, formula 2: makes up for the gain of the weighting at 997 Hz.
OFFSET_DB = -0.691


def gated_loudness(blocks_lufs: NDArray[np.float64]) -> float | None:
    """Return the integrated loudness of blocks of 400 ms, one each 100 ms.

    Blocks above -70 LUFS, and of these the ones above their mean less 10 LU; None where no block
    lies above -70 LUFS. BS.1770-5 Annex 1, formulae 3 to 7.
    """
    loud = _above(blocks_lufs, ABSOLUTE_GATE_LUFS)
    return _mean(_above(loud, _mean(loud) - 10.0)) if loud.size else None


def loudness_range(short_term_lufs: NDArray[np.float64]) -> float | None:
    """Return the loudness range in LU of short-term values, one each 100 ms.

    10th to 95th percentile of what lies above -70 LUFS and above the mean of that less 20 LU;
    None where nothing lies above -70 LUFS. EBU Tech 3342 (2016).
    """
    loud = _above(short_term_lufs, ABSOLUTE_GATE_LUFS)
    if not loud.size:
        return None
    low, high = np.percentile(_above(loud, _mean(loud) - 20.0), [10, 95])
    return float(high - low)


def _above(lufs: NDArray[np.float64], gate: float) -> NDArray[np.float64]:
    return lufs[lufs > gate]


def _mean(lufs: NDArray[np.float64]) -> float:
    """Loudness of the mean power."""
    power = 10 ** ((lufs - OFFSET_DB) / 10)
    return float(OFFSET_DB + 10 * np.log10(power.mean()))
