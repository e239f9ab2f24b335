"""What a page, or a figure for elsewhere, shows of a comparison."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from cleanchain.measure.bands import band_words
from cleanchain.measure.traces import Trace
from cleanchain.report.axes import UNKNOWN, plain, signed, typeset
from cleanchain.report.band_charts import (
    INTERVAL,
    STYLES,
    Row,
    band_chart,
    band_curve,
    by_pair,
    folded,
    signed_or_unknown,
    span,
)
from cleanchain.report.charts import spectra
from cleanchain.report.elements import Chart, Curve, Maps, Table
from cleanchain.report.ledger_parts import stages_table
from cleanchain.report.takes_charts import own_noise_chart, shared_chart


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
        shown["own-noise"] = own_noise_chart(own_noise)
    if any(row["snr_db"] is not None for row in shared):
        shown["shared"] = shared_chart(shared)
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
        {name: STYLES[k % len(STYLES)] for k, name in enumerate(traces)},
    )
    return shown if kind != "chain" else {"spectra": shown["spectra"], **shown}


def _differences(
    ident: str, title: str, rows: Sequence[Row], table: Table, chance: bool = True
) -> Chart:
    known = [row for row in rows if row["difference_db"] is not None]
    pairs = by_pair(known)
    if len(pairs) == 1 and chance:
        parted = (
            band_curve("differs", "b", [row for row in known if row["differs"]]),
            band_curve("may be chance", "floor", [row for row in known if not row["differs"]]),
        )
        curves = [curve for curve in parted if curve.x.size]
    else:
        curves = [
            band_curve(pair, STYLES[k % len(STYLES)], own, interval=INTERVAL if chance else None)
            for k, (pair, own) in enumerate(pairs.items())
        ]
    told = [f"{pair}: below 0, {pair[0]} is lower." for pair in pairs]
    if any(row["low_db"] < row["high_db"] for row in known):
        told.append("Strokes hold the true difference with 95 %.")
    if any(row["difference_db"] is None for row in rows):
        told.append("Bands without a mark are not known.")
    return band_chart(ident, title, " ".join(told), "dB", curves, table, zero=True)


def _table(rows: Sequence[Row]) -> Table:
    return folded(
        ["band", "pair", "difference, dB", "95 % interval", "differs"],
        [[band_words(row["centre_hz"]), typeset(row["pair"]), *_told(row)] for row in rows],
    )


def _told(row: Row) -> list[str]:
    return [
        signed_or_unknown(row["difference_db"]),
        span(row["low_db"], row["high_db"], signed),
        "yes" if row["differs"] else "no",
    ]


def _snr_table(rows: Sequence[Row]) -> Table:
    return folded(
        [
            "band", "pair", "difference, dB", "95 % interval", "differs",
            "more sensitive by, dB", "quieter by, dB",
        ],
        [
            [
                band_words(row["centre_hz"]),
                typeset(row["pair"]),
                *_told(row),
                signed_or_unknown(row["more_sensitive_db"]),
                signed_or_unknown(row["quieter_db"]),
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
        band_curve(name, STYLES[k % len(STYLES)], own, key, None)
        for k, (name, (own, key)) in enumerate(named.items())
    ]
    return band_chart(
        "levels",
        f"{what.capitalize()} by third octave",
        "The level in each band.",
        "dBFS",
        curves,
        folded(
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
            name, STYLES[k % len(STYLES)], np.array(sorted(found)),
            np.array([found[hz] for hz in sorted(found)]), marks=True,
        )
        for k, (name, found) in enumerate(levels.items())
    ]  # fmt: skip

    def level(line: Row, key: str) -> str:
        return UNKNOWN if line[key] is None else plain(line[key])

    return band_chart(
        "hum",
        "Lines of the mains hum",
        "One mark a line; where a build has none, none was found.",
        "dBFS",
        [curve for curve in curves if curve.x.size],
        folded(
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
