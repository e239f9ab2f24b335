"""The picture of a measured build: its floor over frequency, and what it hears above it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.bands import Band
from cleanchain.measure.build import BuildReport
from cleanchain.measure.calibration import Calibration
from cleanchain.measure.hearing import MARGIN_DB, Hearing
from cleanchain.measure.levels import Levels
from cleanchain.measure.thermal import ElectricalSource
from cleanchain.report.axes import Axis
from cleanchain.report.drawing import COLOURS, SMALL, apart, head, legend, name_notes
from cleanchain.report.paper import Drawing, Paper

Reals = NDArray[np.float64]

_BLUE, _ORANGE, _GREEN, _PURPLE, _GREY = (
    COLOURS[style] for style in ("before", "after", "removed", "c", "floor")
)
#: From this shape of the paper on its two parts stand side by side.
_WIDE = 1.5
_LEAST = 1e-20
#: Room that is left below the lowest and above the highest level, and the largest range, dB.
_MARGIN_DB, _MOST_DB = 5.0, 150.0
#: Range of the panel of what is heard, dB; what lies outside is drawn at its edge.
_LOWEST_RATIO_DB, _HIGHEST_RATIO_DB = -20.0, 60.0


def build_drawing(
    report: BuildReport,
    heading: str,
    source: ElectricalSource | None = None,
    calibration: Calibration | None = None,
) -> Drawing:
    """Return how a measured build is drawn.

    Parameters
    ----------
    report : BuildReport
        What was measured.
    heading : str
        What was measured, such as the capture's name.
    source : ElectricalSource, optional
        Its thermal noise is drawn where a calibration sets it against the recording.
    calibration : Calibration, optional
        Adds a scale in dBu.
    """

    def draw(figure: Any, paper: Paper) -> None:
        title = "Noise floor, and what is heard above it" if report.hearing else "Noise floor"
        head(figure, paper, heading, title, "")
        beside = report.hearing is not None and paper.width_px > _WIDE * paper.height_px
        if report.hearing is None:
            axes = [figure.subplots()]
        elif beside:
            axes = figure.subplots(1, 2)
        else:
            axes = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        _draw_floor(axes[0], report, source, calibration)
        if report.hearing:
            _draw_hearing(axes[1], report.hearing, paper)
        below = axes if beside else axes[-1:]
        _draw_frequencies(axes, below, report.silence.bands, paper)
        legend(figure, paper)

    return draw


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
    axes.set_title("third-octave level, dBFS", loc="left", fontsize="small", color="#5a5a5a")
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


def _draw_hearing(axes: Any, hearing: Hearing, paper: Paper) -> None:
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
        fontsize=SMALL * paper.letters_pt,
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
            fontsize=SMALL * paper.letters_pt,
        )
    top = float(np.nanmax(np.where(hearing.sure, hearing.ratio_db, MARGIN_DB)))
    axes.set_ylim(_LOWEST_RATIO_DB, min(max(top, MARGIN_DB) + 10.0, _HIGHEST_RATIO_DB))
    axes.set_title("heard over floor, dB", loc="left", fontsize="small", color="#5a5a5a")
    axes.grid(alpha=0.25)


def _draw_frequencies(axes: Any, below: Any, bands: tuple[Band, ...], paper: Paper) -> None:
    """Name frequencies along the bottom of some axes, and notes along the top of the first."""
    from matplotlib.ticker import NullLocator

    edges = _edges(bands)
    axis = Axis("frequency, Hz", edges[0], edges[-1], "frequency", "Hz")
    share = 0.8 / len(below)
    named = apart(axis.ticks(), paper, share)
    for one in below:
        one.set_xscale("log")
        one.set_xlim(axis.low, axis.high)
        one.set_xticks([axis.value(tick.percent / 100) for tick in named])
        one.set_xticklabels([tick.text for tick in named])
        one.xaxis.set_minor_locator(NullLocator())
        one.set_xlabel(axis.label)
    name_notes(axes[0], apart(axis.notes(), paper, share), axis.value, paper)


def _edges(bands: tuple[Band, ...]) -> Reals:
    return np.array([band.low_hz for band in bands] + [bands[-1].high_hz])


def _interval_dbfs(levels: Levels) -> tuple[Reals, Reals]:
    low, high = levels.band_power.interval()
    return _dbfs(low), _dbfs(high)


def _dbfs(power: Reals) -> Reals:
    """Level re the rms of a full-scale sine."""
    level: Reals = 10 * np.log10(2 * np.maximum(power, _LEAST))
    return level
