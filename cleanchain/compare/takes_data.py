"""Compared takes of one moment as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from cleanchain.compare.builds import VERDICT_ALARM
from cleanchain.compare.takes import TakesResult
from cleanchain.compare.words import SCHEMA, plain_rows, snr_as_data
from cleanchain.measure.alignment import Alignment
from cleanchain.measure.differences import decide
from cleanchain.units import power_db

#: A mean square in dB that a full-scale sine has: 0 dBFS (AES17-2015).
_DBFS = -power_db(0.5)
NO_BETTER = "takes of one moment: levels of music differ, so no build is called better"
_LIMITS = [
    "snr_db is the shared part over the rest of both takes together: what both pick up, hum for "
    "instance, counts as shared; what only one of them hears of the instrument counts as noise.",
    "Levels of bands differ with what each build hears of the instrument; their intervals come "
    "from how the difference changes from stretch to stretch.",
]
_THREE = (
    "Own noise of three takes needs no equal gains, but one signal that all of them hear: what one "
    "hears alone counts as its noise, so that it is at most this much."
)
_TWO = (
    "Own noise of two takes takes them for equal in gain and noise; a mismatch e of the gain's "
    "power would falsify it by e / 2 of the signal, and bands where that may matter are left out."
)
_REFUSED = (
    "No own noise from these two takes alone: their gains differ by {mismatch:.1f} dB or more in "
    "every band, which is as much as their noise; give --silence-a and --silence-b, or record a "
    "third build at once."
)


def takes_as_data(result: TakesResult, rate_hz: int, told_by: str) -> dict[str, Any]:
    """Return compared takes as plain data, None where a number is not known.

    Parameters
    ----------
    result : TakesResult
        From `compare_takes`.
    rate_hz : int
        Sampling rate of the first.
    told_by : str
        What the recordings were taken for, and why.
    """
    first = result.names[0]
    pairs = [f"{name} - {first}" for name in result.names[1:]]
    takes = [
        {
            "take": name,
            "alignment": place_as_data(place, rate_hz),
            "level_match_db": match,
            "level_residue_db": residue,
        }
        for name, place, match, residue in zip(
            result.names[1:],
            result.places,
            result.level_match_db,
            result.level_residue_db,
            strict=True,
        )
    ]
    return {
        "schema": SCHEMA,
        "kind": "at-once",
        "bands": [
            {"pair": pair, **row}
            for pair, found in zip(pairs, result.differences, strict=True)
            for row in plain_rows(found)
        ],
        "snr_bands": [
            {"pair": pair, **row}
            for place, pair in enumerate(pairs)
            for row in _snr_rows(result, place)
        ],
        "own_noise": _own_noise(result),
        "takes": takes,
        "alignment": takes[0]["alignment"],
        "level_match_db": result.level_match_db[0],
        "verdict": _verdict(result),
        "reasons": [told_by, *_reasons(result)],
    }


def place_as_data(place: Alignment, rate_hz: int) -> dict[str, Any]:
    """Return where a take lies as plain data."""
    return {
        "lag_frames": place.lag_frames,
        "lag_ms": place.lag_frames / rate_hz * 1e3,
        "polarity": place.polarity,
        "drift_ppm": place.drift_ppm,
    }


def _snr_rows(result: TakesResult, place: int) -> list[dict[str, Any]]:
    """Return what a take shares with the first, and its signal-to-noise less the first one's."""
    known = result.shared_to_rest[place]
    table = zip(result.coherence[place], known.level_db, known.low_db, known.high_db, strict=True)
    rows: list[dict[str, Any]] = [
        {
            "centre_hz": band.centre_hz,
            "coherence": float(coherence),
            **_numbers(("snr_db", "snr_low_db", "snr_high_db"), values),
        }
        for band, (coherence, *values) in zip(result.bands, table, strict=True)
    ]
    if result.snr is not None and place == 0:
        found = {row["centre_hz"]: row for row in snr_as_data(result.snr)}
        blank = dict.fromkeys(next(iter(found.values())), None)
        rows = [{**blank, **row, **found.get(row["centre_hz"], {})} for row in rows]
    return rows


def _own_noise(result: TakesResult) -> list[dict[str, Any]]:
    if result.own_noise is None:
        return []
    names = result.names if len(result.own_noise) == len(result.names) else ("A and B",)
    return [
        {
            "take": name,
            "centre_hz": band.centre_hz,
            **_numbers(("level_dbfs", "low_dbfs", "high_dbfs"), values, _DBFS),
        }
        for name, known in zip(names, result.own_noise, strict=True)
        for band, *values in zip(
            result.bands, known.level_db, known.low_db, known.high_db, strict=True
        )
    ]


def _numbers(names: Sequence[str], values: Sequence[float], add: float = 0.0) -> dict[str, Any]:
    return {
        name: float(value) + add if np.isfinite(value) else None
        for name, value in zip(names, values, strict=True)
    }


def _verdict(result: TakesResult) -> str:
    if result.snr is None:
        return NO_BETTER
    sure, _ = decide([result.snr.thirds, result.snr.octaves], level=VERDICT_ALARM)
    signs = np.concatenate([np.sign(one.difference_db[one.differs]) for one in sure])
    up, down = bool((signs > 0).any()), bool((signs < 0).any())
    if up and down:
        return "B stands further above its own floor in some bands, A in others"
    if up or down:
        return f"{'B' if up else 'A'} stands further above its own floor"
    return "no difference found"


def _reasons(result: TakesResult) -> list[str]:
    reasons = list(_LIMITS)
    if len(result.names) == 3:
        reasons.append(_THREE)
    elif result.own_noise is not None:
        reasons.append(_TWO)
    elif result.mismatch is not None:
        least = float(result.mismatch.min())
        reasons.append(_REFUSED.format(mismatch=power_db(1 + least)))
    if result.snr is not None:
        reasons.append(
            "Differences of signal-to-noise take each silence for made at its take's gain; the "
            "builds sat in different places, so that no build is called better."
        )
    return reasons
