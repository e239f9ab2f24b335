"""The page about one cleaning."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from cleanchain.cleaning import Cleaning
from cleanchain.exhibits import Exhibits
from cleanchain.ledger import Entry
from cleanchain.measure.cells import PARTS, Cell
from cleanchain.measure.hum_path import guess_path
from cleanchain.report import cleaning_words
from cleanchain.report.axes import MINUS, UNKNOWN, Axis, plain, signed
from cleanchain.report.charts import spectra, spectrograms
from cleanchain.report.elements import (
    Bar,
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
from cleanchain.report.hum_parts import lines_table, paths_table
from cleanchain.report.ledger_words import damage, explain
from cleanchain.report.versions import files_and_versions
from cleanchain.report.waves import hearing_of
from cleanchain.units import format_time

_STYLES: dict[str, Style] = {
    "before": "before",
    "after": "after",
    "removed": "removed",
    "noise floor": "floor",
}
#: Units that keys of settings and findings end in.
_UNITS = {
    "hz": "Hz", "db": "dB", "dbfs": "dBFS", "dbtp": "dBTP", "lufs": "LUFS", "lu": "LU",
    "ms": "ms", "s": "s",
}  # fmt: skip


def cleaning_page(
    cleaning: Cleaning, exhibits: Exhibits, take: str, hashes: Mapping[str, str]
) -> Page:
    """Return the page about a cleaning.

    Parameters
    ----------
    cleaning : Cleaning
        Planned and accounted for.
    exhibits : Exhibits
        What was measured for the page.
    take : str
        The take's name.
    hashes : mapping of str to str
        Hash of the samples of each file, by its name.
    """
    seconds = cleaning.take.frames / cleaning.take.rate_hz
    subtitle = (
        f"A take cleaned, {format_time(seconds)} at {cleaning.take.rate_hz / 1000:g} kHz; "
        f"silence: {cleaning.silence.words}"
    )
    sections = [
        Section("hear", "Hear it", _hear(cleaning, exhibits)),
        Section("ledger", "What each stage took, and what that cost", list(_ledger(cleaning))),
        Section("see", "See it", list(_see(cleaning, exhibits))),
    ]
    hum = list(_hum(exhibits))
    if hum:
        sections.append(Section("hum", "The hum", hum))
    sections.append(Section("how", "How this was obtained", list(_how(cleaning, hashes))))
    return Page(
        take,
        subtitle,
        cleaning_words.lead(cleaning, exhibits.floor),
        cleaning_words.cautions(cleaning, exhibits.floor),
        sections,
    )


def _hear(cleaning: Cleaning, exhibits: Exhibits) -> list[Element]:
    gain_db = 20 * np.log10(cleaning.plan.gain)
    words = [
        "Before, after and what was removed run side by side: choose between them while they play, "
        "the place stays. The page holds the take and each stage's share as they were worked out, "
        "24 bits without dither; what was removed in all, and the result, are sums of these."
    ]
    if abs(gain_db) > 0.005:
        words.append(
            f"The gain of {signed(gain_db, 2)} dB that the written file has is undone here."
        )
    return [Prose(words), hearing_of(exhibits.room, cleaning=True)]


def _ledger(cleaning: Cleaning) -> Iterable[Element]:
    rows = [
        *(
            (plan.stage.name, entry)
            for plan, entry in zip(cleaning.plan.plans, cleaning.ledger.stages, strict=True)
        ),
        ("all", cleaning.ledger.total),
    ]
    yield Table(
        "Level changes in dB at equal level of the instrument; damage is relative to it",
        ["stage", "noise", "hum", "hiss", "signal", "damage", "largest cost", "where"],
        [_ledger_row(name, entry) for name, entry in rows],
    )
    told = cleaning_words.remarks(cleaning)
    if told:
        yield Points(told)
    if cleaning.ledger.total.where:
        yield _octaves(cleaning.ledger.total.where)


def _ledger_row(name: str, entry: Entry) -> list[str]:
    def down(value: float | None, digits: int = 1) -> str:
        return UNKNOWN if value is None else signed(-value, digits)

    return [
        name,
        down(entry.noise_removed_db),
        down(entry.hum_removed_db),
        down(entry.hiss_removed_db),
        down(entry.signal_lost_db, 2),
        damage(entry, UNKNOWN).replace("-", MINUS),
        UNKNOWN if entry.cost_db is None else plain(entry.cost_db),
        entry.cost_where or UNKNOWN,
    ]


def _octaves(cells: Iterable[Cell]) -> Table:
    """Per octave what the noise lost beside what attacks, body and tails lost, with bars."""
    by_octave: dict[float, dict[str, Cell]] = {}
    for cell in cells:
        by_octave.setdefault(cell.octave_hz, {})[cell.part] = cell
    fell = [
        max((cell.noise_removed_db or 0.0 for cell in row.values()), default=0.0)
        for row in by_octave.values()
    ]
    longest = max([1.0, *fell])
    rows = []
    for (octave, row), noise_db in zip(by_octave.items(), fell, strict=True):
        known = any(cell.noise_removed_db is not None for cell in row.values())
        name = f"{octave / 1000:g} kHz" if octave >= 1000 else f"{octave:g} Hz"
        bars: list[str | Bar] = [name, _bar(noise_db if known else None, longest, "removed")]
        for part in PARTS:
            bars.append(_bar(row[part].signal_lost_db if part in row else None, longest, "after"))
        rows.append(bars)
    return Table(
        "By octave, whole chain, dB: what the noise lost at most, and beside it, on the same "
        "scale, what the instrument lost; a dash where it does not stand 6 dB above the noise",
        ["octave", "noise lost", "attacks lost", "body lost", "tails lost"],
        rows,
    )


def _bar(value: float | None, longest: float, style: Style) -> str | Bar:
    if value is None:
        return UNKNOWN
    return Bar(plain(value), min(100 * max(value, 0.0) / longest, 100.0), style)


def _see(cleaning: Cleaning, exhibits: Exhibits) -> Iterable[Element]:
    lines = exhibits.floor.split.harmonics if exhibits.floor is not None else ()
    hum_hz = [line.frequency_hz for line in lines]
    yield spectra(
        "spectra",
        "Spectra",
        "Over the whole take. The bands around the curves hold the true level with 95 % where the "
        "sound is steady; notes along the top are As.",
        exhibits.traces,
        _STYLES,
        hum_hz,
    )
    depth_db = max(
        (
            float(plan.stage.settings().get("depth_db", 0.0))
            for plan in cleaning.plan.plans
            if plan.stage.name == "gate"
        ),
        default=12.0,
    )
    words = "The darker on light ground (or the lighter on dark), the louder."
    if exhibits.gate_db is not None:
        words += " The last picture shows by how much the gate lowered each place."
    yield spectrograms(
        "spectrograms",
        "Before and after, by time and frequency",
        words,
        {"before": exhibits.before, "after": exhibits.after},
        exhibits.gate_db,
        "lowered by the gate",
        depth_db or 12.0,
    )


def _hum(exhibits: Exhibits) -> Iterable[Element]:
    if exhibits.floor is not None and exhibits.floor.split.harmonics:
        lines = exhibits.floor.split.harmonics
        yield lines_table("Lines of the mains in the silence, as recorded", lines)
        yield paths_table(guess_path(lines))
    if exhibits.mains is not None:
        yield _track(exhibits)


def _track(exhibits: Exhibits) -> Chart:
    mains = exhibits.mains
    assert mains is not None
    low, high = float(mains.frequency_hz.min()), float(mains.frequency_hz.max())
    margin = max(0.15 * (high - low), 0.005)
    seconds = exhibits.before.seconds
    return Chart(
        "mains",
        "The mains through the take",
        "Frequency read over two seconds around each time. Where notes drown the hum it is "
        "carried on between the places where it is heard.",
        Axis("time", 0.0, seconds, "time", "s", 1),
        Axis("Hz", low - margin, high + margin, "level", "Hz", 3),
        [Curve("mains", "before", mains.time_s, mains.frequency_hz)],
        table=Table(
            "The same in numbers",
            ["time", "Hz"],
            [
                [format_time(time), f"{hz:.4f}"]
                for time, hz in zip(
                    mains.time_s[:: max(mains.time_s.size // 20, 1)].tolist(),
                    mains.frequency_hz[:: max(mains.time_s.size // 20, 1)].tolist(),
                    strict=True,
                )
            ],
            folded=True,
        ),
    )


def _how(cleaning: Cleaning, hashes: Mapping[str, str]) -> Iterable[Element]:
    yield Table(
        "Settings and findings",
        ["stage", "settings", "found"],
        [
            [plan.stage.name, _told(plan.stage.settings()), _told(plan.findings)]
            for plan in cleaning.plan.plans
        ],
        words=True,
    )
    named = [plan.stage.name for plan in cleaning.plan.plans]
    for name, entry in zip(
        [*named, "all"], [*cleaning.ledger.stages, cleaning.ledger.total], strict=True
    ):
        yield Table(
            f"Numbers of {name}, and how each was obtained",
            ["number", "value"],
            [line.partition(": ")[::2] for line in explain(entry)],
            folded=True,
            words=True,
        )
    yield files_and_versions(hashes)


def _told(data: Mapping[str, Any]) -> str:
    """Write settings or findings in a line; lists of rows are told elsewhere."""
    parts = []
    for key, value in data.items():
        if isinstance(value, list) and value and isinstance(value[0], Mapping):
            continue
        name, unit = _named(key)
        parts.append(f"{name} {_value(value)}{unit if value is not None else ''}")
    return "; ".join(parts) or "none"


def _named(key: str) -> tuple[str, str]:
    """Part a key into its words and the unit that it ends in: ``corner_hz`` to corner and Hz."""
    name, _, last = key.rpartition("_")
    if name and last in _UNITS:
        return name.replace("_", " "), f" {_UNITS[last]}"
    return key.replace("_", " "), ""


def _value(value: object) -> str:
    if value is None:
        return "left open"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}".replace("-", MINUS)
    if isinstance(value, list | tuple):
        return ", ".join(_value(one) for one in value) or "none"
    return str(value)
