"""The page about builds, takes of one moment, or a take before and after a chain, side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from cleanchain.hearing_room import HearingRoom
from cleanchain.measure.traces import Trace
from cleanchain.report.axes import UNKNOWN, Axis, plain, signed, typeset
from cleanchain.report.charts import spectra
from cleanchain.report.check_parts import checks
from cleanchain.report.elements import (
    Chart,
    Curve,
    Element,
    Page,
    Points,
    Prose,
    Section,
    Style,
    Table,
)
from cleanchain.report.versions import files_and_versions
from cleanchain.report.waves import hearing_of

_STYLES: tuple[Style, ...] = ("a", "b", "removed", "c", "floor")
_SUBTITLES = {
    "silence": "Builds, compared by their silence",
    "stimulus": "Builds, compared by what they hear",
    "at-once": "Takes of one moment",
    "chain": "A take before and after a chain",
}
_WORDS = {
    "at-once": "The takes run side by side, moved to the same moment.",
    "chain": "Both run side by side: choose between them while they play, the place stays.",
}
_NOISES = "At one common gain you hear how noisy each is; equally loud, what its noise is like."
#: Space above and below the intervals of a chart, dB.
_SPACE_DB = 2.0
#: A lag that is told as none, ms.
_AT_ONCE_MS = 0.005

Row = Mapping[str, Any]


def compare_page(
    data: Mapping[str, Any],
    traces: Mapping[str, Trace],
    room: HearingRoom,
    hashes: Mapping[str, str],
) -> Page:
    """Return the page about a comparison.

    Parameters
    ----------
    data : dict
        The comparison as plain data.
    traces : mapping of str to Trace
        Spectra of what is compared, A first.
    room : HearingRoom
        The same, to be heard.
    hashes : mapping of str to str
        Hash of the samples of each file, by its name.
    """
    kind = str(data["kind"])
    return Page(
        ", ".join(traces),
        _SUBTITLES[kind],
        _lead(data),
        ["Start your monitors low: captures can differ much in level."],
        [
            Section(
                "hear",
                "Hear them",
                [Prose([_WORDS.get(kind, _NOISES)]), hearing_of(room, cleaning=False)],
            ),
            Section("see", "See them", list(_see(data, traces))),
            Section("how", "What this rests on", list(_how(data, hashes))),
        ],
    )


def _lead(data: Mapping[str, Any]) -> str:
    verdict = typeset(data["verdict"])
    sentences = [verdict[0].upper() + verdict[1:] + "."]
    if data["kind"] in ("silence", "stimulus"):
        for pair, rows in _by_pair(data["bands"]).items():
            sentences.append(_differing(pair, rows))
        for hum in data["hum"]:
            if hum["lines"] and hum["difference_db"] is not None:
                pair = typeset(hum["pair"])
                sentences.append(f"{pair}: the hum {signed(hum['difference_db'])} dB.")
    if data.get("pauses"):
        seconds = data["pauses"]["seconds"]
        sentences.append(f"The pauses are {seconds:.1f} s in which nobody plays.")
    for take in data.get("takes", ()):
        sentences.append(_alignment(take))
    return " ".join(sentences)


def _differing(pair: str, rows: Sequence[Row]) -> str:
    differing = [row for row in rows if row["differs"] and row["difference_db"] is not None]
    if not differing:
        return f"{pair}: in no third octave does the hiss differ beyond chance."
    most = max(differing, key=lambda row: abs(row["difference_db"]))
    where, by = _name(most["centre_hz"]), signed(most["difference_db"])
    return (
        f"{pair}: the hiss differs in {len(differing)} of {len(rows)} third octaves beyond what "
        f"chance explains, most at {where} by {by} dB."
    )


def _alignment(take: Row) -> str:
    lie = take["alignment"]
    turned = "the same" if lie["polarity"] > 0 else "opposite"
    place = f"{abs(lie['lag_ms']):.2f} ms {'after' if lie['lag_ms'] > 0 else 'before'} A"
    if abs(lie["lag_ms"]) < _AT_ONCE_MS:
        place = "at the same moment as A"
    told = f"{take['take']} lies {place}, of {turned} polarity"
    if take["level_match_db"] is None:
        return f"{told}."
    return f"{told}; {signed(take['level_match_db'], 2)} dB bring it to the loudness of A."


def _see(data: Mapping[str, Any], traces: Mapping[str, Trace]) -> Iterable[Element]:
    what = "level" if data["kind"] in ("at-once", "chain") else "hiss"
    chance = data["kind"] != "chain"
    title = f"Difference of {what}, by third octave"
    yield _differences("differences", title, data["bands"], chance)
    snr = [row for row in data["snr_bands"] if row.get("difference_db") is not None]
    if snr:
        yield _differences("snr", "Difference of signal-to-noise, by third octave", snr)
    shared = [row for row in data["snr_bands"] if "coherence" in row]
    if shared:
        yield _shared(shared)
    for hum in data.get("hum", ()):
        if hum["lines"]:
            yield _hum(hum)
    yield spectra(
        "spectra",
        "Spectra",
        "The bands around the curves hold the true level with 95 % where the sound is steady; "
        "notes along the top are As.",
        traces,
        {name: _STYLES[k % len(_STYLES)] for k, name in enumerate(traces)},
    )


def _differences(ident: str, title: str, rows: Sequence[Row], chance: bool = True) -> Chart:
    known = [row for row in rows if row["difference_db"] is not None]
    pairs = _by_pair(known)
    if len(pairs) == 1 and chance:
        parted = (
            _curve("differs", "b", [row for row in known if row["differs"]]),
            _curve("may be chance", "floor", [row for row in known if not row["differs"]]),
        )
        curves = [curve for curve in parted if curve.x.size]
    else:
        curves = [
            _curve(pair, _STYLES[k % len(_STYLES)], own)
            for k, (pair, own) in enumerate(pairs.items())
        ]
    low = min([0.0, *(float(row["low_db"]) for row in known)]) - _SPACE_DB
    high = max([0.0, *(float(row["high_db"]) for row in known)]) + _SPACE_DB
    told = f"{next(iter(pairs), 'B')}: below 0 the first of the two is lower."
    if any(row["low_db"] < row["high_db"] for row in known):
        told += " Strokes are 95 % intervals."
    return Chart(
        ident,
        title,
        told,
        Axis("frequency, Hz", 18.0, 22_500.0, "frequency", "Hz", 0),
        Axis("dB", low, high, "level", "dB"),
        curves,
        table=_table(known),
    )


def _curve(name: str, style: Style, rows: Sequence[Row]) -> Curve:
    hz, middle, low, high = (
        np.array([float(row[key]) for row in rows], dtype=np.float64)
        for key in ("centre_hz", "difference_db", "low_db", "high_db")
    )
    return Curve(name, style, hz, middle, low, high, marks=True)


def _table(rows: Sequence[Row]) -> Table:
    return Table(
        "The same in numbers",
        ["band", "pair", "difference, dB", "95 % interval", "differs"],
        [
            [
                _name(row["centre_hz"]),
                typeset(row["pair"]),
                signed(row["difference_db"]),
                f"{signed(row['low_db'])} to {signed(row['high_db'])}",
                "yes" if row["differs"] else "no",
            ]
            for row in rows
        ],
        folded=True,
    )


def _shared(rows: Sequence[Row]) -> Table:
    return Table(
        "What takes share, by third octave",
        ["band", "pair", "coherence", "shared over the rest, dB"],
        [
            [
                _name(row["centre_hz"]),
                typeset(row["pair"]),
                UNKNOWN if row["coherence"] is None else plain(row["coherence"], 3),
                UNKNOWN if row["snr_db"] is None else signed(row["snr_db"]),
            ]
            for row in rows
        ],
        folded=True,
    )


def _hum(hum: Row) -> Table:
    def level(line: Row, key: str) -> str:
        return UNKNOWN if line[key] is None else plain(line[key])

    return Table(
        f"Hum lines, {typeset(hum['pair'])}, dBFS",
        ["harmonic", "level", "level it is compared with"],
        [
            [str(line["harmonic"]), level(line, "level_dbfs"), level(line, "reference_dbfs")]
            for line in hum["lines"]
        ],
        folded=True,
    )


def _how(data: Mapping[str, Any], hashes: Mapping[str, str]) -> Iterable[Element]:
    yield Points([typeset(reason) for reason in data["reasons"]])
    yield from checks(data.get("checks", ()))
    yield files_and_versions(hashes)


def _by_pair(rows: Iterable[Row]) -> dict[str, list[Row]]:
    pairs: dict[str, list[Row]] = {}
    for row in rows:
        pairs.setdefault(typeset(row["pair"]), []).append(row)
    return pairs


def _name(hz: float) -> str:
    return f"{hz:.3g} Hz" if hz < 1000 else f"{hz / 1000:.3g} kHz"
