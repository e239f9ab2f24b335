"""One gain for all takes of a batch, so that they keep their balance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from cleanchain.errors import SettingError
from cleanchain.stages.base import Stage
from cleanchain.stages.fixed_gain import FixedGain
from cleanchain.stages.loudness import Loudness


def without_loudness(stages: Sequence[Stage]) -> tuple[tuple[Stage, ...], Loudness]:
    """Return the stages before the loudness, and the loudness.

    Raises
    ------
    SettingError
        If the chain does not end with a loudness.
    """
    if not stages or not isinstance(stages[-1], Loudness):
        raise SettingError(
            "a common gain needs a chain that ends with loudness",
            fix="Leave --common-gain out, or use a preset whose last stage is loudness.",
        )
    return tuple(stages[:-1]), stages[-1]


def common_gain_db(
    measured: Iterable[tuple[float, float | None, float | None]], loudness: Loudness
) -> float:
    """Return the gain that brings all takes together to a loudness.

    Parameters
    ----------
    measured : iterable of (float, float or None, float or None)
        Seconds, integrated loudness (LUFS) and true peak (dBTP) of each take; those without a
        loudness do not count.
    loudness : Loudness
        Target and ceiling; the mean of the takes' powers, by their lengths, reaches the target
        unless the loudest peak would pass the ceiling.
    """
    known = [(s, lufs, peak) for s, lufs, peak in measured if lufs is not None and peak is not None]
    if not known:
        return 0.0
    power = sum(s * 10 ** (lufs / 10) for s, lufs, _ in known) / sum(s for s, _, _ in known)
    gain_db = loudness.target_lufs - 10 * math.log10(power)
    room_db = min(loudness.ceiling_dbtp - peak for _, _, peak in known)
    return round(min(gain_db, room_db), 6)


def with_common_gain(before: Sequence[Stage], gain_db: float) -> tuple[Stage, ...]:
    """Return the chain with the common gain at its end."""
    return (*before, FixedGain(gain_db))
