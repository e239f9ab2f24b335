"""The page about one cleaning."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from cleanchain.cleaning import Cleaning
from cleanchain.exhibits import Exhibits
from cleanchain.measure.hum_path import guess_path
from cleanchain.report import cleaning_words
from cleanchain.report.axes import MINUS, signed, typeset
from cleanchain.report.cleaning_charts import cleaning_charts
from cleanchain.report.elements import Element, Page, Points, Prose, Section, Table
from cleanchain.report.hum_parts import paths_table
from cleanchain.report.ledger_parts import stages_table
from cleanchain.report.ledger_words import explain
from cleanchain.report.versions import files_and_versions
from cleanchain.report.waves import CLEANING, hearing_of
from cleanchain.units import format_time

#: Units that keys of settings and findings end in.
_UNITS = {
    "hz": "Hz", "db": "dB", "dbfs": "dBFS", "dbtp": "dBTP", "lufs": "LUFS", "lu": "LU",
    "ms": "ms", "s": "s",
}  # fmt: skip
#: Findings that the page tells in another place.
_ELSEWHERE = ("cautions",)


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
    charts = cleaning_charts(cleaning, exhibits)
    sections = [
        Section("hear", "Hear it", _hear(cleaning, exhibits)),
        Section(
            "ledger",
            "What each stage took, and what that cost",
            list(_ledger(cleaning, charts.get("ledger"))),
        ),
        Section("see", "See it", [charts["spectra"], charts["spectrograms"]]),
    ]
    hum = list(_hum(charts, exhibits))
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
    return [Prose(words), hearing_of(exhibits.room, CLEANING)]


def _ledger(cleaning: Cleaning, octaves: Element | None) -> Iterable[Element]:
    rows = [
        *(
            (plan.stage.name, entry)
            for plan, entry in zip(cleaning.plan.plans, cleaning.ledger.stages, strict=True)
        ),
        ("all", cleaning.ledger.total),
    ]
    yield stages_table([(name, entry.numbers()) for name, entry in rows])
    told = cleaning_words.remarks(cleaning)
    if told:
        yield Points([typeset(line) for line in told])
    if octaves is not None:
        yield octaves


def _hum(charts: Mapping[str, Element], exhibits: Exhibits) -> Iterable[Element]:
    if exhibits.floor is not None and "hum" in charts:
        yield charts["hum"]
        yield paths_table(guess_path(exhibits.floor.split.harmonics))
    if "mains" in charts:
        yield charts["mains"]


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
        if key in _ELSEWHERE or (isinstance(value, list) and _holds(value, Mapping)):
            continue
        name, unit = _named(key)
        told = _value(value)
        parts.append(f"{name} {told}{'' if value is None or told == 'none' else unit}")
    return "; ".join(parts) or "none"


def _holds(value: list[Any], kind: type) -> bool:
    return bool(value) and isinstance(value[0], kind)


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
    if isinstance(value, list) and _holds(value, list):  # stretches, from and to
        return ", ".join(" to ".join(map(_value, stretch)) for stretch in value)
    if isinstance(value, list | tuple):
        return ", ".join(_value(one) for one in value) or "none"
    return str(value)
