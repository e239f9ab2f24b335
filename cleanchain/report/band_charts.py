"""Charts over bands of frequency: marks with intervals, and the same in numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from cleanchain.report.axes import UNKNOWN, Axis, signed, typeset
from cleanchain.report.elements import Chart, Curve, Style, Table

#: How builds or takes are drawn, in their order.
STYLES: tuple[Style, ...] = ("a", "b", "removed", "c", "floor")
#: Keys of the ends of an interval.
INTERVAL = ("low_db", "high_db")
#: Space above and below what a chart shows, dB.
_SPACE_DB = 2.0

Row = Mapping[str, Any]


def by_pair(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Sort rows by the pair that they tell of, such as ``B - A``."""
    pairs: dict[str, list[Row]] = {}
    for row in rows:
        pairs.setdefault(typeset(row["pair"]), []).append(row)
    return pairs


def band_chart(
    ident: str,
    title: str,
    words: str,
    unit: str,
    curves: Sequence[Curve],
    table: Table,
    zero: bool = False,
) -> Chart:
    """Return a chart over the bands, its range as wide as what is shown; `zero` is kept in it."""
    ends = [bound for one in curves for bound in (one.y, one.low, one.high) if bound is not None]
    values = np.concatenate([*ends, np.zeros(int(zero or not curves))])
    low, high = float(values.min()) - _SPACE_DB, float(values.max()) + _SPACE_DB
    return Chart(
        ident,
        title,
        words,
        Axis("frequency, Hz", 18.0, 22_500.0, "frequency", "Hz", 0),
        Axis(unit, low, high, "level", "dB"),
        curves,
        notes=True,
        table=table,
    )


def band_curve(
    name: str,
    style: Style,
    rows: Sequence[Row],
    key: str = "difference_db",
    interval: tuple[str, str] | None = INTERVAL,
) -> Curve:
    """Return a column of rows as marks at the bands' centres, with its interval."""

    def column(key: str) -> Any:
        return np.array([float(row[key]) for row in rows], dtype=np.float64)

    low, high = (None, None) if interval is None else map(column, interval)
    return Curve(name, style, column("centre_hz"), column(key), low, high, marks=True)


def folded(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    """Return the numbers of a chart as a table to be unfolded."""
    return Table("The same in numbers", head, rows, folded=True)


def signed_or_unknown(value: float | None) -> str:
    """Write a number with its sign, a dash for None."""
    return UNKNOWN if value is None else signed(value)


def span(low: float | None, high: float | None, told: Any) -> str:
    """Write an interval, a dash where it is not known."""
    return UNKNOWN if low is None or high is None else f"{told(low)} to {told(high)}"
