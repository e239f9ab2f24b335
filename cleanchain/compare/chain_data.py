"""A take before and after a chain as plain data, and the ledger that may stand beside."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.compare.chain import ChainResult
from cleanchain.compare.takes_data import place_as_data
from cleanchain.compare.words import SCHEMA
from cleanchain.errors import InputError

Reals = NDArray[np.float64]

#: A change is marked from here on, dB: what one decimal shows.
_SHOWN_DB = 0.05
#: A lag from here on is told, frames.
_NO_LAG = 0.05
#: Schema of the ledger that may stand beside.
LEDGER_SCHEMA = "cleanchain/clean/1"


def chain_as_data(
    result: ChainResult, told_by: str, ledger: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return a take before and after as plain data.

    Parameters
    ----------
    result : ChainResult
        From `compare_chain`.
    told_by : str
        What the recordings were taken for, and why.
    ledger : mapping, optional
        What cleaning the take reported, shown beside.
    """
    difference = result.after_db - result.before_db
    place = result.place
    rows = [
        {
            "pair": "B - A",
            "centre_hz": hz,
            "difference_db": change,
            "low_db": change,
            "high_db": change,
            "differs": abs(change) >= _SHOWN_DB,
            "reference_dbfs": before,
            "level_dbfs": after,
            "removed_dbfs": removed,
        }
        for hz, change, before, after, removed in zip(
            result.centre_hz.tolist(),
            difference.tolist(),
            result.before_db.tolist(),
            result.after_db.tolist(),
            result.removed_db.tolist(),
            strict=True,
        )
    ]
    pauses = {
        "seconds": result.pauses_s,
        "noise_db": result.noise_db,
        "hiss_db": result.hiss_db,
        "hum_db": None if result.hum is None else result.hum.difference_db,
        "hum_at_most_db": None if result.hum is None else result.hum.high_db,
    }
    reasons = [
        told_by,
        "One and the same take: the numbers are exact for it and no chance is in them.",
        "Levels after the chain and what was removed have its gain taken out, the median of what "
        "it did to the loudest moments.",
    ]
    if not result.pauses_s:
        reasons.append("No pause was found in which only the noise sounds.")
    if place is not None and abs(place.lag_frames) > _NO_LAG:
        reasons.append(
            f"It comes out {place.lag_frames:+.2f} frames late, so that what was removed holds "
            "what the delay alone makes."
        )
    if ledger is None:
        reasons.append("What it cost the instrument stands in the ledger: give --ledger FILE.")
    return {
        "schema": SCHEMA,
        "kind": "chain",
        "bands": rows,
        "snr_bands": [],
        "pauses": pauses,
        "gain_db": result.gain_db,
        "alignment": None if place is None else place_as_data(place, result.before.rate_hz),
        "level_match_db": None if result.loudness_db is None else -result.loudness_db,
        "ledger": None if ledger is None else dict(ledger),
        "verdict": _verdict(result, difference),
        "reasons": reasons,
    }


def _verdict(result: ChainResult, difference: Reals) -> str:
    if not (np.abs(difference) >= _SHOWN_DB).any():
        return "no difference found"
    if result.noise_db is None:
        return "the take was changed; what that did to its noise is not known"
    return f"noise in the pauses {result.noise_db:+.1f} dB at equal level of the signal"


def read_ledger(data: Any, where: str) -> dict[str, Any]:
    """Check that what was read is a ledger.

    Raises
    ------
    InputError
    """
    good = isinstance(data, dict) and data.get("schema") == LEDGER_SCHEMA
    if not good or not isinstance(data.get("stages"), list):
        raise InputError(
            "is no ledger of a cleaned take",
            where=where,
            fix="Keep what `cleanchain clean ... --json` prints in a file and name that.",
        )
    return {key: data[key] for key in ("take", "out", "stages", "total") if key in data}
