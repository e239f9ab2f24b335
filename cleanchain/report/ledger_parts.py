"""What pages tell of a ledger: a row a stage."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from cleanchain.report.axes import MINUS, UNKNOWN, plain, signed
from cleanchain.report.elements import Table
from cleanchain.report.ledger_words import damage


def stages_table(rows: Sequence[tuple[str, Mapping[str, Any]]]) -> Table:
    """Return a ledger as a table.

    Parameters
    ----------
    rows : sequence of (str, mapping)
        Name of a stage, and its numbers as `cleanchain.ledger.Entry.numbers` gives them; what is
        missing or no number, as it may be in a file, is not known.
    """
    return Table(
        "Level changes in dB at equal level of the instrument",
        ["stage", "noise", "hum", "hiss", "signal", "damage", "largest cost", "where"],
        [_row(name, numbers) for name, numbers in rows],
        about="Damage is what a stage did wrong to the instrument, relative to it: at "
        f"{MINUS}20 dB it is heard, at {MINUS}40 dB hardly.",
    )


def _row(name: str, numbers: Mapping[str, Any]) -> list[str]:
    def down(key: str, digits: int = 1) -> str:
        value = number_of(numbers, key)
        return UNKNOWN if value is None else signed(-value, digits)

    cost_db = number_of(numbers, "cost_db")
    return [
        name,
        down("noise_removed_db"),
        down("hum_removed_db"),
        down("hiss_removed_db"),
        down("signal_lost_db", 2),
        damage(number_of(numbers, "signal_error_db"), UNKNOWN).replace("-", MINUS),
        UNKNOWN if cost_db is None else plain(cost_db),
        str(numbers.get("cost_where") or UNKNOWN),
    ]


def number_of(numbers: Mapping[str, Any], key: str) -> float | None:
    """Return a finite number from a ledger that may have come from a file, None for all else."""
    value = numbers.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)
