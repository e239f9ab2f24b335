"""The page about one build: its floor, what that is made of, and what the build hears."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from cleanchain.hearing_room import HearingRoom
from cleanchain.measure.build import BuildReport
from cleanchain.measure.hum_path import guess_path
from cleanchain.measure.traces import trace_of
from cleanchain.report.axes import UNKNOWN, Axis, plain, signed
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
from cleanchain.report.hum_parts import floor_words, lines_table, paths_table
from cleanchain.report.measure_data import RELATIVE
from cleanchain.report.versions import files_and_versions
from cleanchain.report.waves import hearing_of

_STYLES: dict[str, Style] = {
    "silence": "before",
    "interface": "floor",
    "control": "removed",
    "stimulus": "after",
    "control_stimulus": "c",
}
_ROLES = {
    "silence": "the build, silent",
    "interface": "the interface alone",
    "control": "the dead control, silent",
    "stimulus": "the build, hearing the stimulus",
    "control_stimulus": "the dead control, hearing the stimulus",
}


def role_words(role: str) -> str:
    """Say what a capture of a role is."""
    return _ROLES[role]


def build_page(
    report: BuildReport,
    data: Mapping[str, Any],
    told: list[str],
    room: HearingRoom,
    hashes: Mapping[str, str],
) -> Page:
    """Return the page about a build.

    Parameters
    ----------
    report : BuildReport
        What was measured.
    data, told : dict, list of str
        The same as plain data and in words; see `cleanchain.report.measure_data`.
    room : HearingRoom
        Its captures, to be heard.
    hashes : mapping of str to str
        Hash of the samples of each file, by its name.
    """
    silence = data["captures"]["silence"]
    guesses = guess_path(report.silence.split.harmonics)
    lines = [*report.silence.split.harmonics, *report.silence.split.others]
    sections = [
        Section("hear", "Hear it", _hear(room)),
        Section("floor", "The floor, and what is heard above it", list(_floor(report, data))),
    ]
    if lines:
        parts: list[Element] = [lines_table("Lines in the silence", lines)]
        parts += [paths_table(guesses)] if guesses else []
        sections.append(Section("lines", "Hum and other lines", parts))
    sections.append(Section("how", "How far this can be trusted", list(_trust(data, hashes))))
    bench = f"The hum looks most like {guesses[0].path}. {guesses[0].next_test}" if guesses else ""
    lead = " ".join([floor_words(report.silence), *(s for s in told if s != RELATIVE), bench])
    cautions = [*data["cautions"], *([RELATIVE] if RELATIVE in told else [])]
    return Page(
        silence["name"],
        f"A build measured, {silence['seconds']:.1f} s at {silence['rate_hz'] / 1000:g} kHz; "
        f"{data['convention']}",
        lead.strip(),
        cautions,
        sections,
    )


def _hear(room: HearingRoom) -> list[Element]:
    words = (
        "The captures run side by side. At one common gain you hear how noisy each is; equally "
        "loud, what its noise is like."
    )
    return [Prose([words]), hearing_of(room, cleaning=False)]


def _floor(report: BuildReport, data: Mapping[str, Any]) -> Iterable[Element]:
    yield Table(
        "Levels of the silence, 20 Hz to 20 kHz, dBFS",
        ["what", "level"],
        [
            [name, UNKNOWN if data[key] is None else plain(data[key])]
            for name, key in (
                ("whole", "floor_dbfs"),
                ("A-weighted", "floor_a_dbfs"),
                ("CCIR-RMS", "floor_ccir_rms_dbfs"),
                ("hum alone", "hum_dbfs"),
                ("hiss alone", "hiss_dbfs"),
            )
        ],
    )
    yield spectra(
        "spectra",
        "Spectra of the captures",
        "The bands around the curves hold the true level with 95 %; notes along the top are As.",
        {
            role_words(role): trace_of(levels.spectrum, levels.channel)
            for role, levels in report.levels.items()
        },
        {role_words(role): style for role, style in _STYLES.items()},
        [line.frequency_hz for line in report.silence.split.harmonics],
    )
    if report.hearing is not None:
        yield _heard(data)
    yield _bands(data)


def _heard(data: Mapping[str, Any]) -> Chart:
    rows = data["bands"]
    known = [row for row in rows if row["stimulus_to_floor_db"] is not None]
    hidden = [row for row in rows if row["stimulus_to_floor_db"] is None]
    curves = [
        Curve("heard over floor", "after", *_points(known, "stimulus_to_floor_db"), marks=True)
    ]
    if hidden:
        curves.append(
            Curve(
                "not heard: less than this",
                "floor",
                *_points(hidden, "stimulus_to_floor_below_db"),
                marks=True,
            )
        )
    margin = np.array([rows[0]["centre_hz"], rows[-1]["centre_hz"]])
    level = np.full(2, float(data["usable_margin_db"]))
    curves.append(Curve("usable from here up", "before", margin, level))
    values = np.concatenate([curve.y for curve in curves])
    low, high = float(values.min()), float(values.max())
    return Chart(
        "heard",
        "What is heard of the stimulus, above the floor",
        "By third octave. It has the loudspeaker, the room and the mounting in it.",
        Axis("frequency, Hz", 18.0, 22_500.0, "frequency", "Hz", 0),
        Axis("dB over the floor", low - 3.0, high + 3.0, "level", "dB"),
        [curve for curve in curves if curve.x.size],
    )


def _points(rows: list[dict[str, Any]], key: str) -> tuple[Any, Any]:
    return (
        np.array([row["centre_hz"] for row in rows], dtype=np.float64),
        np.array([row[key] for row in rows], dtype=np.float64),
    )


def _bands(data: Mapping[str, Any]) -> Table:
    def told(value: float | None, sign: bool = False) -> str:
        if value is None:
            return UNKNOWN
        return signed(value) if sign else plain(value)

    rows = []
    for row in data["bands"]:
        hz = row["name_hz"]
        heard = told(row["stimulus_to_floor_db"], True)
        if row["stimulus_to_floor_db"] is None and row["stimulus_to_floor_below_db"] is not None:
            heard = f"under {told(row['stimulus_to_floor_below_db'], True)}"
        rows.append(
            [
                f"{hz:g} Hz" if hz < 1000 else f"{hz / 1000:g} kHz",
                told(row["floor_dbfs"]),
                f"{told(row['low_db'])} to {told(row['high_db'])}",
                told(row["hiss_dbfs"]),
                told(row["above_interface_db"], True),
                heard,
                told(row["leak_to_floor_db"], True),
            ]
        )
    return Table(
        "By third octave",
        [
            "band", "floor, dBFS", "95 % interval", "its hiss, dBFS", "over the interface, dB",
            "heard over floor, dB", "leak over floor, dB",
        ],
        rows,
        folded=True,
    )  # fmt: skip


def _trust(data: Mapping[str, Any], hashes: Mapping[str, str]) -> Iterable[Element]:
    yield from checks(data["checks"])
    reasons = [
        f"Not known: {name.replace('_', ' ')}: {why}." for name, why in data["reasons"].items()
    ]
    if reasons:
        yield Points(reasons)
    yield files_and_versions(hashes)
