"""The page about one build: its floor, what that is made of, and what the build hears."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from cleanchain.hearing_room import HearingRoom
from cleanchain.measure.bands import band_words
from cleanchain.measure.build import BuildReport
from cleanchain.measure.hum_path import guess_path
from cleanchain.report.axes import UNKNOWN, plain, signed
from cleanchain.report.build_charts import build_charts
from cleanchain.report.check_parts import checks
from cleanchain.report.elements import Element, Page, Points, Prose, Section, Table
from cleanchain.report.hum_parts import floor_words, paths_table
from cleanchain.report.measure_data import RELATIVE
from cleanchain.report.versions import files_and_versions
from cleanchain.report.waves import NOISES, hearing_of

#: What the lines say that tell which part of the floor is the largest where.
_DOMINATES = " dominates at "


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
    charts = build_charts(report, data)
    aside = [line for line in told if _DOMINATES in line]
    sections = [
        Section("hear", "Hear it", _hear(room)),
        Section(
            "floor", "The floor, and what is heard above it", list(_floor(data, charts, aside))
        ),
    ]
    if "hum" in charts:
        parts: list[Element] = [charts["hum"]]
        parts += [paths_table(guesses)] if guesses else []
        sections.append(Section("lines", "Hum and other lines", parts))
    sections.append(Section("how", "How far this can be trusted", list(_trust(data, hashes))))
    bench = f"The hum looks most like {guesses[0].path}. {guesses[0].next_test}" if guesses else ""
    first = [line for line in told if line != RELATIVE and line not in aside]
    lead = " ".join([floor_words(report.silence), *first, bench])
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
    return [Prose([words]), hearing_of(room, NOISES)]


def _floor(
    data: Mapping[str, Any], charts: Mapping[str, Element], parts: list[str]
) -> Iterable[Element]:
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
    if parts:
        yield Points(parts)
    for name in ("spectra", "heard"):
        if name in charts:
            yield charts[name]
    yield _bands(data)


def _bands(data: Mapping[str, Any]) -> Table:
    def told(value: float | None, sign: bool = False) -> str:
        if value is None:
            return UNKNOWN
        return signed(value) if sign else plain(value)

    rows = []
    for row in data["bands"]:
        heard = told(row["stimulus_to_floor_db"], True)
        if row["stimulus_to_floor_db"] is None and row["stimulus_to_floor_below_db"] is not None:
            heard = f"under {told(row['stimulus_to_floor_below_db'], True)}"
        rows.append(
            [
                band_words(row["centre_hz"]),
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
