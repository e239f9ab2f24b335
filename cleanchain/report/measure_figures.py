"""The picture of a measured build: its floor over frequency, and what it hears above it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.writing import renamed_when_whole
from cleanchain.measure.bands import Band
from cleanchain.measure.build import BuildReport
from cleanchain.measure.calibration import Calibration
from cleanchain.measure.hearing import MARGIN_DB, Hearing
from cleanchain.measure.levels import Levels
from cleanchain.measure.thermal import ElectricalSource

Reals = NDArray[np.float64]

#: Colours of the palette of Okabe and Ito and greys, told apart by all eyes; the lines differ in
#: width and dashes too.
_BLUE, _ORANGE, _GREEN, _PURPLE, _GREY = "#0072b2", "#d55e00", "#009e73", "#8a4f7d", "#8c8c8c"
#: Narrow and tall, with large letters: a phone shows the width of it on some 7 cm.
_WIDTH_IN, _HEIGHT_IN, _LETTERS, _DPI = 6.0, 8.0, 12, 200
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_NOTES_HZ = {f"A{octave}": 27.5 * 2**octave for octave in range(10)}
_LEAST = 1e-20
#: Room that is left below the lowest and above the highest level, and the largest range, dB.
_MARGIN_DB, _MOST_DB = 5.0, 150.0
#: Range of the panel of what is heard, dB; what lies outside is drawn at its edge.
_LOWEST_RATIO_DB, _HIGHEST_RATIO_DB = -20.0, 60.0


def draw_build(
    report: BuildReport,
    title: str,
    path: Path,
    source: ElectricalSource | None = None,
    calibration: Calibration | None = None,
) -> None:
    """Draw a measured build into a picture file.

    Parameters
    ----------
    report : BuildReport
        What was measured.
    title : str
        Heading.
    path : Path
        Ends in .png or .svg.
    source : ElectricalSource, optional
        Its thermal noise is drawn where a calibration sets it against the recording.
    calibration : Calibration, optional
        Adds a scale in dBu.
    """
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    parts = 2 if report.hearing else 1
    height_in = _HEIGHT_IN if report.hearing else 0.68 * _HEIGHT_IN
    with pyplot.rc_context(
        {"font.size": _LETTERS, "svg.fonttype": "none", "svg.hashsalt": "cleanchain"}
    ):
        figure, axes = pyplot.subplots(
            parts,
            1,
            sharex=True,
            squeeze=False,
            figsize=(_WIDTH_IN, height_in),
            height_ratios=(3, 2)[:parts],
            layout="constrained",
        )
        floor_axes = axes[0, 0]
        _draw_floor(floor_axes, report, source, calibration)
        _draw_notes(floor_axes)
        if report.hearing:
            _draw_hearing(axes[1, 0], report.hearing)
        _draw_frequencies(axes[-1, 0], report.silence.bands)
        figure.legend(loc="outside lower center", fontsize=_LETTERS - 1, ncols=2, frameon=False)
        figure.suptitle(title, x=0.02, ha="left", fontsize=_LETTERS + 1)
        kind = path.suffix.lower()[1:]
        undated = {"Date": None} if kind == "svg" else {}
        with renamed_when_whole(path) as part:
            figure.savefig(part, dpi=_DPI, format=kind, metadata=undated)
        pyplot.close(figure)


def _draw_floor(
    axes: Any,
    report: BuildReport,
    source: ElectricalSource | None,
    calibration: Calibration | None,
) -> None:
    """Third-octave levels of the floor, hum lines, interface, control, thermal noise."""
    silence = report.silence
    edges = _edges(silence.bands)
    control, interface = report.levels.get("control"), report.levels.get("interface")
    if interface is not None:
        level = _dbfs(interface.band_power.power)
        axes.stairs(level, edges, baseline=-300.0, fill=True, color=_GREY, alpha=0.35)
        axes.stairs(level, edges, baseline=None, color=_GREY, linewidth=1.6, label="interface")
        _draw_interval(axes, edges, *_interval_dbfs(interface), _GREY)
    if control is not None:
        axes.stairs(
            _dbfs(control.band_power.power),
            edges,
            baseline=None,
            color="#5a5a5a",
            linewidth=1.2,
            linestyle=(0, (1, 1.5)),
            label="dead control",
        )
    shown = [_dbfs(one.band_power.power) for one in (silence, interface) if one is not None]
    if source is not None and calibration is not None:
        thermal = np.array([source.level_v(band.low_hz, band.high_hz) for band in silence.bands])
        level = 20 * np.log10(thermal / calibration.full_scale_v)
        shown.append(level)
        axes.stairs(
            level,
            edges,
            baseline=None,
            color=_PURPLE,
            linewidth=1.6,
            linestyle=(0, (4, 1.5, 1, 1.5)),
            label="thermal, computed",
        )
    _draw_interval(axes, edges, *_interval_dbfs(silence), _BLUE)
    axes.stairs(
        _dbfs(silence.band_power.power),
        edges,
        baseline=None,
        color=_BLUE,
        linewidth=2.4,
        label="floor, 95 % shaded",
    )
    if silence.split.harmonics:
        hertz = [line.frequency_hz for line in silence.split.harmonics]
        power = np.array([line.power for line in silence.split.harmonics])
        axes.vlines(hertz, -300.0, _dbfs(power), color=_ORANGE, linewidth=1.0, alpha=0.8)
        axes.plot(
            hertz, _dbfs(power), "v", color=_ORANGE, markersize=6, label="hum lines", zorder=4
        )
    if silence.split.others:
        axes.plot(
            [line.frequency_hz for line in silence.split.others],
            _dbfs(np.array([line.power for line in silence.split.others])),
            "x",
            color="black",
            markersize=6,
            label="other lines",
        )
    levels = np.concatenate(shown)
    low_db = max(levels.min() - _MARGIN_DB, levels.max() - _MOST_DB)
    axes.set_ylim(low_db, levels.max() + _MARGIN_DB)
    axes.set_ylabel("third-octave level, dBFS")
    if calibration is not None:
        dbu = calibration.dbu
        right = axes.secondary_yaxis(
            "right", functions=(lambda level: level + dbu, lambda level: level - dbu)
        )
        right.set_ylabel("dBu")
    axes.grid(alpha=0.25)


def _draw_interval(axes: Any, edges: Reals, low_db: Reals, high_db: Reals, colour: str) -> None:
    axes.bar(
        edges[:-1],
        high_db - low_db,
        np.diff(edges),
        low_db,
        align="edge",
        color=colour,
        alpha=0.35,
        linewidth=0,
    )


def _draw_hearing(axes: Any, hearing: Hearing) -> None:
    """Stimulus over floor with its interval; crosses where only an upper bound is known."""
    edges = _edges(hearing.bands)
    sure = hearing.sure
    low, high = (np.clip(bound, _LOWEST_RATIO_DB, None) for bound in hearing.ratio_interval_db)
    _draw_interval(axes, edges, np.where(sure, low, np.nan), np.where(sure, high, np.nan), _GREEN)
    ratio = np.where(sure, hearing.ratio_db, np.nan)
    axes.stairs(ratio, edges, baseline=None, color=_GREEN, linewidth=2.2, label="heard over floor")
    if not sure.all():
        centres = np.array([band.centre_hz for band in hearing.bands])[~sure]
        bound = np.clip(hearing.highest_ratio_db[~sure], _LOWEST_RATIO_DB + 1, _HIGHEST_RATIO_DB)
        axes.plot(centres, bound, "v", color="black", markersize=5, label="heard: at most this")
    axes.axhline(MARGIN_DB, color="black", linewidth=1.2, linestyle=(0, (5, 2)))
    axes.text(
        0.995,
        MARGIN_DB + 1,
        f"{MARGIN_DB:.0f} dB",
        transform=axes.get_yaxis_transform(),
        ha="right",
        va="bottom",
        fontsize=_LETTERS - 2,
    )
    lowest = hearing.usable_from()
    if lowest is not None:
        axes.axvspan(edges[0], lowest.low_hz, color="black", alpha=0.07, linewidth=0)
        axes.axvline(lowest.low_hz, color="black", linewidth=1.0)
        axes.annotate(
            f" usable from the {lowest.name} Hz band up",
            (lowest.low_hz, 0.97),
            xycoords=("data", "axes fraction"),
            va="top",
            fontsize=_LETTERS - 1,
        )
    top = float(np.nanmax(np.where(hearing.sure, hearing.ratio_db, MARGIN_DB)))
    axes.set_ylim(_LOWEST_RATIO_DB, min(max(top, MARGIN_DB) + 10.0, _HIGHEST_RATIO_DB))
    axes.set_ylabel("heard over floor, dB")
    axes.grid(alpha=0.25)


def _draw_frequencies(axes: Any, bands: tuple[Band, ...]) -> None:
    from matplotlib.ticker import FixedLocator, NullLocator

    edges = _edges(bands)
    ticks = [hz for hz in _TICKS_HZ if edges[0] <= hz <= edges[-1]]
    axes.set_xscale("log")
    axes.set_xlim(edges[0], edges[-1])
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticklabels([f"{hz // 1000} k" if hz >= 1000 else str(hz) for hz in ticks])
    axes.set_xlabel("frequency, Hz")


def _draw_notes(axes: Any) -> None:
    """Name the notes along the top, A4 being 440 Hz."""
    from matplotlib.ticker import FixedLocator, NullLocator

    axes.set_xscale("log")
    notes = axes.secondary_xaxis("top")
    notes.xaxis.set_major_locator(FixedLocator(list(_NOTES_HZ.values())))
    notes.xaxis.set_minor_locator(NullLocator())
    notes.set_xticklabels(list(_NOTES_HZ))
    notes.set_xlabel("note (A4 = 440 Hz)", fontsize=_LETTERS - 1)


def _edges(bands: tuple[Band, ...]) -> Reals:
    return np.array([band.low_hz for band in bands] + [bands[-1].high_hz])


def _interval_dbfs(levels: Levels) -> tuple[Reals, Reals]:
    low, high = levels.band_power.interval()
    return _dbfs(low), _dbfs(high)


def _dbfs(power: Reals) -> Reals:
    """Level re the rms of a full-scale sine."""
    level: Reals = 10 * np.log10(2 * np.maximum(power, _LEAST))
    return level
