"""What a page, or a figure for elsewhere, shows of a measured build."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from cleanchain.measure.build import BuildReport
from cleanchain.measure.traces import trace_of
from cleanchain.report.axes import Axis
from cleanchain.report.charts import spectra
from cleanchain.report.elements import Chart, Curve, Maps, Style, Table
from cleanchain.report.hum_parts import lines_table

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
#: Space above and below what a chart shows, dB.
_SPACE_DB = 3.0
#: How far below the least that is heard a lower bound is drawn, dB.
_MOST_BELOW_DB = 6.0


def role_words(role: str) -> str:
    """Say what a capture of a role is."""
    return _ROLES[role]


def build_charts(report: BuildReport, data: Mapping[str, Any]) -> dict[str, Chart | Maps | Table]:
    """Return charts and tables by name: of the `FIGURES` of `measure` those on a page.

    Parameters
    ----------
    report : BuildReport
        What was measured.
    data : dict
        The same as plain data.
    """
    split = report.silence.split
    shown: dict[str, Chart | Maps | Table] = {
        "spectra": spectra(
            "spectra",
            "Spectra of the captures",
            "The bands around the curves hold the true level with 95 %; notes along the top are "
            "As.",
            {
                role_words(role): trace_of(levels.spectrum, levels.channel)
                for role, levels in report.levels.items()
            },
            {role_words(role): style for role, style in _STYLES.items()},
            [line.frequency_hz for line in split.harmonics],
        )
    }
    if report.hearing is not None:
        shown["heard"] = _heard(report, data)
    lines = [*split.harmonics, *split.others]
    if lines:
        shown["hum"] = lines_table("Lines in the silence", lines)
    return shown


def _heard(report: BuildReport, data: Mapping[str, Any]) -> Chart:
    """Return what is heard over the floor by third octave, and bounds where nothing is."""
    hearing = report.hearing
    assert hearing is not None
    hz = np.array([band.centre_hz for band in hearing.bands])
    sure = hearing.sure
    # Where next to nothing is sure, the lower bound lies below all that is worth showing.
    least_db = min(float(hearing.ratio_db[sure].min(initial=0.0)) - _MOST_BELOW_DB, 0.0)
    low_db, high_db = (bound[sure].clip(least_db, None) for bound in hearing.ratio_interval_db)
    curves = [
        Curve(
            "heard over floor",
            "after",
            hz[sure],
            hearing.ratio_db[sure],
            low_db,
            high_db,
            marks=True,
        ),
        Curve(
            "not heard: less than this",
            "floor",
            hz[~sure],
            hearing.highest_ratio_db[~sure],
            marks=True,
        ),
        Curve(
            "usable from here up",
            "before",
            hz[[0, -1]],
            np.full(2, float(data["usable_margin_db"])),
        ),
    ]
    curves = [curve for curve in curves if curve.x.size]
    ends = [bound for curve in curves for bound in (curve.y, curve.low, curve.high)]
    values = np.concatenate([bound for bound in ends if bound is not None])
    return Chart(
        "heard",
        "What is heard of the stimulus, above the floor",
        "By third octave, strokes hold the true value with 95 %. Loudspeaker, room and mounting "
        "are in it.",
        Axis("frequency, Hz", 18.0, 22_500.0, "frequency", "Hz", 0),
        Axis(
            "dB over the floor",
            float(values.min()) - _SPACE_DB,
            float(values.max()) + _SPACE_DB,
            "level",
            "dB",
        ),
        curves,
        notes=True,
    )
