"""What a page, or a figure for elsewhere, shows of a comparison."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from cleanchain.measure.bands import band_words
from cleanchain.measure.traces import Trace
from cleanchain.report.axes import UNKNOWN, Axis, plain, signed, typeset
from cleanchain.report.charts import spectra
from cleanchain.report.elements import Chart, Curve, Maps, Style, Table
from cleanchain.report.ledger_parts import stages_table

#: How builds or takes are drawn, in their order.
_STYLES: tuple[Style, ...] = ("a", "b", "removed", "c", "floor")
#: Space above and below what a chart shows, dB.
_SPACE_DB = 2.0
_INTERVAL = ("low_db", "high_db")

Row = Mapping[str, Any]


def comparison_charts(
    data: Mapping[str, Any], traces: Mapping[str, Trace]
) -> dict[str, Chart | Maps | Table]:
    """Return charts and tables by name: what of the `FIGURES` of `compare` there is.

    Parameters
    ----------
    data : dict
        The comparison as plain data.
    traces : mapping of str to Trace
        Spectra of what is compared, A first.
    """
    kind, rows = data["kind"], data["bands"]
    what = "level" if kind in ("at-once", "chain") else "hiss"
    snr = [row for row in data["snr_bands"] if row.get("difference_db") is not None]
    shared = [row for row in data["snr_bands"] if "coherence" in row]
    own_noise = [row for row in data.get("own_noise", ()) if row["level_dbfs"] is not None]
    shown: dict[str, Chart | Maps | Table] = {}
    if snr:
        shown["snr"] = _differences(
            "snr", "Difference of signal-to-noise, by third octave", snr, _snr_table(snr)
        )
    title = f"Difference of {what}, by third octave"
    shown["differences"] = _differences("differences", title, rows, _table(rows), kind != "chain")
    if data.get("octaves"):
        octaves = data["octaves"]
        title = f"Difference of {what}, by octaves around each third octave"
        shown["octaves"] = _differences("octaves", title, octaves, _table(octaves))
    if any(row.get("level_dbfs") is not None for row in rows):
        shown["levels"] = _levels(rows, what)
    if own_noise:
        shown["own-noise"] = _own_noise(own_noise)
    if any(row["snr_db"] is not None for row in shared):
        shown["shared"] = _shared(shared)
    if hum := [one for one in data.get("hum", ()) if one["lines"]]:
        shown["hum"] = _hum(hum)
    if data.get("ledger"):
        shown["ledger"] = _ledger(data["ledger"])
    shown["spectra"] = spectra(
        "spectra",
        "Spectra",
        "The bands around the curves hold the true level with 95 % where the sound is steady; "
        "notes along the top are As.",
        traces,
        {name: _STYLES[k % len(_STYLES)] for k, name in enumerate(traces)},
    )
    return shown if kind != "chain" else {"spectra": shown["spectra"], **shown}


def by_pair(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Sort rows by the pair that they tell of, such as ``B - A``."""
    pairs: dict[str, list[Row]] = {}
    for row in rows:
        pairs.setdefault(typeset(row["pair"]), []).append(row)
    return pairs


def _differences(
    ident: str, title: str, rows: Sequence[Row], table: Table, chance: bool = True
) -> Chart:
    known = [row for row in rows if row["difference_db"] is not None]
    pairs = by_pair(known)
    if len(pairs) == 1 and chance:
        parted = (
            _curve("differs", "b", [row for row in known if row["differs"]]),
            _curve("may be chance", "floor", [row for row in known if not row["differs"]]),
        )
        curves = [curve for curve in parted if curve.x.size]
    else:
        curves = [
            _curve(pair, _STYLES[k % len(_STYLES)], own, interval=_INTERVAL if chance else None)
            for k, (pair, own) in enumerate(pairs.items())
        ]
    told = [f"{pair}: below 0, {pair[0]} is lower." for pair in pairs]
    if any(row["low_db"] < row["high_db"] for row in known):
        told.append("Strokes hold the true difference with 95 %.")
    if any(row["difference_db"] is None for row in rows):
        told.append("Bands without a mark are not known.")
    return _band_chart(ident, title, " ".join(told), "dB", curves, table, zero=True)


def _band_chart(
    ident: str,
    title: str,
    words: str,
    unit: str,
    curves: Sequence[Curve],
    table: Table,
    zero: bool = False,
) -> Chart:
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


def _curve(
    name: str,
    style: Style,
    rows: Sequence[Row],
    key: str = "difference_db",
    interval: tuple[str, str] | None = _INTERVAL,
) -> Curve:
    def column(key: str) -> Any:
        return np.array([float(row[key]) for row in rows], dtype=np.float64)

    low, high = (None, None) if interval is None else map(column, interval)
    return Curve(name, style, column("centre_hz"), column(key), low, high, marks=True)


def _table(rows: Sequence[Row]) -> Table:
    return _folded(
        ["band", "pair", "difference, dB", "95 % interval", "differs"],
        [[band_words(row["centre_hz"]), typeset(row["pair"]), *_told(row)] for row in rows],
    )


def _told(row: Row) -> list[str]:
    return [
        _signed(row["difference_db"]),
        _span(row["low_db"], row["high_db"], signed),
        "yes" if row["differs"] else "no",
    ]


def _snr_table(rows: Sequence[Row]) -> Table:
    return _folded(
        [
            "band", "pair", "difference, dB", "95 % interval", "differs",
            "more sensitive by, dB", "quieter by, dB",
        ],
        [
            [
                band_words(row["centre_hz"]),
                typeset(row["pair"]),
                *_told(row),
                _signed(row["more_sensitive_db"]),
                _signed(row["quieter_db"]),
            ]
            for row in rows
        ],
    )  # fmt: skip


def _levels(rows: Sequence[Row], what: str) -> Chart:
    """Levels of all that is compared, by third octave: the first one, the others, what went."""
    known = [row for row in rows if row["level_dbfs"] is not None]
    pairs = by_pair(known)
    first = next(iter(pairs.values()))
    named = {next(iter(pairs))[-1]: (first, "reference_dbfs")}
    named |= {pair[0]: (own, "level_dbfs") for pair, own in pairs.items()}
    if "removed_dbfs" in first[0]:
        named["removed"] = ([row for row in first if row["removed_dbfs"] > -190], "removed_dbfs")
    curves = [
        _curve(name, _STYLES[k % len(_STYLES)], own, key, None)
        for k, (name, (own, key)) in enumerate(named.items())
    ]
    return _band_chart(
        "levels",
        f"{what.capitalize()} by third octave",
        "The level in each band.",
        "dBFS",
        curves,
        _folded(
            ["band", *(f"{name}, dBFS" for name in named)],
            [
                [
                    band_words(hz),
                    *(
                        next((plain(r[key]) for r in own if r["centre_hz"] == hz), UNKNOWN)
                        for own, key in named.values()
                    ),
                ]
                for hz in dict.fromkeys(row["centre_hz"] for row in rows)
            ],
        ),
    )


def _own_noise(rows: Sequence[Row]) -> Chart:
    takes: dict[str, list[Row]] = {}
    for row in rows:
        takes.setdefault(str(row["take"]), []).append(row)
    return _band_chart(
        "own-noise",
        "Noise of its own in each take, by third octave",
        "What a take holds that the others do not share: its own noise, at most. Strokes hold the "
        "true level with 95 %; in bands without a mark it cannot be told.",
        "dBFS",
        [
            _curve(take, _STYLES[k % len(_STYLES)], own, "level_dbfs", ("low_dbfs", "high_dbfs"))
            for k, (take, own) in enumerate(takes.items())
        ],
        _folded(
            ["band", "take", "level, dBFS", "95 % interval"],
            [
                [
                    band_words(row["centre_hz"]),
                    str(row["take"]),
                    plain(row["level_dbfs"]),
                    _span(row["low_dbfs"], row["high_dbfs"], plain),
                ]
                for row in rows
            ],
        ),
    )


def _shared(rows: Sequence[Row]) -> Chart:
    known = [row for row in rows if row["snr_db"] is not None]
    return _band_chart(
        "shared",
        "What the takes share, over the rest",
        "By third octave; hum that both pick up counts as shared. Strokes hold the true value with "
        "95 %.",
        "dB",
        [
            _curve(pair, _STYLES[k % len(_STYLES)], own, "snr_db", ("snr_low_db", "snr_high_db"))
            for k, (pair, own) in enumerate(by_pair(known).items())
        ],
        _folded(
            ["band", "pair", "coherence", "shared over the rest, dB", "95 % interval"],
            [
                [
                    band_words(row["centre_hz"]),
                    typeset(row["pair"]),
                    UNKNOWN if row["coherence"] is None else plain(row["coherence"], 4),
                    _signed(row["snr_db"]),
                    _span(row["snr_low_db"], row["snr_high_db"], signed),
                ]
                for row in rows
            ],
        ),
        zero=True,
    )


def _hum(pairs: Sequence[Row]) -> Chart:
    """Levels of the mains lines of every build."""
    levels: dict[str, dict[float, float]] = {}
    for hum in pairs:
        for name, key in ((hum["pair"][-1], "reference_dbfs"), (hum["pair"][0], "level_dbfs")):
            found = levels.setdefault(name, {})
            for line in hum["lines"]:
                if line[key] is not None:
                    found[line["harmonic"] * hum["mains_hz"]] = line[key]
    curves = [
        Curve(
            name, _STYLES[k % len(_STYLES)], np.array(sorted(found)),
            np.array([found[hz] for hz in sorted(found)]), marks=True,
        )
        for k, (name, found) in enumerate(levels.items())
    ]  # fmt: skip

    def level(line: Row, key: str) -> str:
        return UNKNOWN if line[key] is None else plain(line[key])

    return _band_chart(
        "hum",
        "Lines of the mains hum",
        "One mark a line; where a build has none, none was found.",
        "dBFS",
        [curve for curve in curves if curve.x.size],
        _folded(
            ["harmonic", "pair", "level of the first, dBFS", "of the second, dBFS"],
            [
                [
                    str(line["harmonic"]),
                    typeset(hum["pair"]),
                    level(line, "level_dbfs"),
                    level(line, "reference_dbfs"),
                ]
                for hum in pairs
                for line in hum["lines"]
            ],
        ),
    )


def _ledger(ledger: Row) -> Table:
    rows = [
        (str(stage.get("stage", UNKNOWN)), stage)
        for stage in ledger["stages"]
        if isinstance(stage, Mapping)
    ]
    if isinstance(ledger.get("total"), Mapping):
        rows.append(("all", ledger["total"]))
    return stages_table(rows)


def _folded(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    return Table("The same in numbers", head, rows, folded=True)


def _signed(value: float | None) -> str:
    return UNKNOWN if value is None else signed(value)


def _span(low: float | None, high: float | None, told: Any) -> str:
    return UNKNOWN if low is None or high is None else f"{told(low)} to {told(high)}"
