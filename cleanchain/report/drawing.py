"""The page's charts, pictures by time and frequency, and tables, drawn as figures for elsewhere."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from cleanchain.report.axes import Axis, Tick
from cleanchain.report.elements import Bar, Chart, Curve, Maps, Style, Table
from cleanchain.report.paper import Drawing, Paper

#: The page's colours on light ground, its widths and dashes.
COLOURS: dict[Style, str] = {
    "before": "#00629b",
    "after": "#b84300",
    "removed": "#00795a",
    "floor": "#6b6b6b",
    "a": "#00629b",
    "b": "#b84300",
    "c": "#7b4a86",
}
_LINES: dict[Style, dict[str, Any]] = {
    "before": {"linewidth": 2.8, "alpha": 0.7},
    "after": {"linewidth": 1.4},
    "removed": {"linewidth": 1.4, "linestyle": (0, (5, 2))},
    "floor": {"linewidth": 1.6, "linestyle": (0, (1, 1.4))},
    "a": {"linewidth": 2.8, "alpha": 0.7},
    "b": {"linewidth": 1.4},
    "c": {"linewidth": 1.4, "linestyle": (0, (7, 2, 1.5, 2))},
}
#: Marks differ in shape, so that they are told apart without colours.
_MARKS: dict[Style, str] = {
    "before": "o", "after": "s", "removed": "^", "floor": "o", "a": "o", "b": "s", "c": "D",
}  # fmt: skip
_SOFT, _RULE, _INK = "#5a5a5a", "#d0d0d0", "#1a1a1a"
#: Width of a letter, as a share of its height: what most letters need.
_LETTER = 0.55
#: Smaller letters, as a share of the paper's: what is told beside.
SMALL = 0.85
#: Room left on either side, as a share of the width.
_SIDE = 0.03
#: Most rows of a table that a figure shows.
MOST_ROWS = 40


def drawing_of(element: Chart | Maps | Table, heading: str) -> Drawing:
    """Return how an element is drawn as a figure.

    Parameters
    ----------
    element : Chart, Maps or Table
        What the page shows; of a table at most `MOST_ROWS` rows are drawn.
    heading : str
        What it is about, such as the take's name: it stands above the title.
    """

    def draw(figure: Any, paper: Paper) -> None:
        if isinstance(element, Chart):
            head(figure, paper, heading, element.title, element.words)
            _chart(figure, paper, element)
        elif isinstance(element, Maps):
            head(figure, paper, heading, element.title, element.words)
            _maps(figure, paper, element)
        else:
            head(figure, paper, heading, element.caption, element.about)
            _table(figure, paper, element)

    return draw


def head(figure: Any, paper: Paper, heading: str, title: str, words: str) -> None:
    """Write what a figure is about along its top, in lines that fit."""
    size = paper.letters_pt
    letters = int(72 * paper.size_in[0] * (1 - 2 * _SIDE) / (_LETTER * size))
    lines = [
        *((line, SMALL * size, _SOFT) for line in _two_lines(heading, int(letters / SMALL))),
        *((line, 1.1 * size, _INK) for line in textwrap.wrap(title, int(letters / 1.1))),
        *((line, SMALL * size, _SOFT) for line in textwrap.wrap(words, int(letters / SMALL))),
    ]
    height_pt = 72 * paper.size_in[1]
    down = 0.8 * size
    for line, letters_pt, colour in lines:
        figure.text(
            _SIDE, 1 - down / height_pt, line, va="top", fontsize=letters_pt, color=colour,
        )  # fmt: skip
        down += 1.35 * letters_pt
    top = 1 - (down + 0.3 * size) / height_pt
    figure.get_layout_engine().set(rect=(_SIDE, 0.01, 1 - 2 * _SIDE, top - 0.01))


def _two_lines(text: str, letters: int) -> list[str]:
    """Part a text into at most two lines; what does not fit is left out."""
    lines = textwrap.wrap(_writable(text), letters)
    return lines if len(lines) <= 2 else [lines[0], f"{lines[1][: letters - 1]}…"]


def _writable(text: str) -> str:
    """Put marks for what is no text: a file may have any bytes for a name."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _chart(figure: Any, paper: Paper, chart: Chart) -> None:
    axes = figure.subplots()
    along(axes, chart.x, paper)
    _upright(axes, chart.y, paper)
    for curve in chart.curves:
        _curve(axes, curve, chart)
    places = [place / 100 for place in chart.mark_places()]
    if places:
        axes.plot(
            places, [0.012] * len(places), "^", color=_INK, markersize=0.45 * paper.letters_pt,
            clip_on=False, label=chart.marks_name, linestyle="none",
        )  # fmt: skip
    if chart.notes:
        name_notes(axes, apart(chart.x.notes(), paper), float, paper)
    if len(chart.curves) > 1 or places or chart.curves[0].marks:
        legend(figure, paper)


def legend(figure: Any, paper: Paper) -> None:
    """Name everything that is drawn, below it, in as many columns as fit."""
    names = [name for axes in figure.axes for name in axes.get_legend_handles_labels()[1]]
    entry_in = (max(map(len, names)) + 6) * _LETTER * SMALL * paper.letters_pt / 72
    figure.legend(
        loc="outside lower left",
        frameon=False,
        fontsize=SMALL * paper.letters_pt,
        ncols=int(np.clip(paper.size_in[0] / entry_in, 1, 5)),
    )


def along(axes: Any, axis: Axis, paper: Paper) -> None:
    """Give an axis of time or frequency along the bottom, in parts of its width."""
    axes.set_xlim(0, 1)
    _ticks(axes.xaxis, apart(axis.ticks(), paper))
    axes.set_xlabel(f"{axis.label}, min:s" if axis.kind == "time" else axis.label)


def name_notes(
    axes: Any, ticks: Sequence[Tick], value: Callable[[float], float], paper: Paper
) -> None:
    """Name notes along the top, A4 being 440 Hz.

    Parameters
    ----------
    axes : Axes
        Of matplotlib.
    ticks : sequence of Tick
        The notes.
    value : callable
        Where in the axes a part of their width, 0 to 1, lies.
    paper : Paper
        What is drawn on.
    """
    top = axes.secondary_xaxis("top")
    top.set_xticks([value(tick.percent / 100) for tick in ticks], [tick.text for tick in ticks])
    top.minorticks_off()
    top.tick_params(labelsize=SMALL * paper.letters_pt, colors=_SOFT)
    top.spines["top"].set_visible(False)
    axes.set_title(
        "notes, A4 = 440 Hz", loc="right", fontsize=SMALL * paper.letters_pt, color=_SOFT
    )


def _ticks(axis: Any, ticks: Sequence[Tick]) -> None:
    axis.set_ticks([tick.percent / 100 for tick in ticks], [tick.text for tick in ticks])


def apart(ticks: Sequence[Tick], paper: Paper, share: float = 0.8) -> list[Tick]:
    """Leave out names that would run into another one, the less important ones first.

    Parameters
    ----------
    ticks : sequence of Tick
        All there are.
    paper : Paper
        What is drawn on.
    share : float, optional
        Part of its width that the axis takes.
    """
    letter = 100 * _LETTER * paper.letter_share / share
    kept: list[Tick] = []
    for tick in sorted(ticks, key=lambda one: one.minor):
        if all(
            abs(tick.percent - other.percent) > letter * (len(tick.text + other.text) / 2 + 0.8)
            for other in kept
        ):
            kept.append(tick)
    return kept


def _upright(axes: Any, axis: Axis, paper: Paper) -> None:
    axes.set_ylim(0, 1)
    ticks = axis.ticks()
    _ticks(axes.yaxis, ticks)
    # Above the axis and not along it, where a long name would not fit.
    axes.set_title(axis.label, loc="left", fontsize=SMALL * paper.letters_pt, color=_SOFT)
    for tick in ticks:
        shade = _SOFT if tick.zero else _RULE
        axes.axhline(tick.percent / 100, color=shade, linewidth=0.8, zorder=0.5)


def _curve(axes: Any, curve: Curve, chart: Chart) -> None:
    def places(axis: Axis, values: Any) -> Any:
        return np.array([axis.place(value) for value in values.tolist()])

    colour = COLOURS[curve.style]
    x, y = places(chart.x, curve.x), places(chart.y, curve.y)
    ends = None
    if curve.low is not None and curve.high is not None:
        ends = places(chart.y, curve.low), places(chart.y, curve.high)
    if curve.marks:
        if ends is not None:
            axes.vlines(x, *ends, color=colour, linewidth=1.6)
        axes.plot(
            x, y, _MARKS[curve.style], color=colour, markersize=5.5, label=_writable(curve.name),
            fillstyle="none" if curve.style == "floor" else "full",
        )  # fmt: skip
        return
    if ends is not None:
        axes.fill_between(x, *ends, color=colour, alpha=0.18, linewidth=0)
    axes.plot(x, y, color=colour, label=_writable(curve.name), **_LINES[curve.style])


def _maps(figure: Any, paper: Paper, maps: Maps) -> None:
    rows = figure.subplots(len(maps.pictures), 1, sharex=True, squeeze=False)[:, 0]
    for axes, picture in zip(rows, maps.pictures, strict=True):
        level_db = picture.low_db + (picture.high_db - picture.low_db) * picture.grey / 255
        drawn = axes.imshow(
            level_db, cmap="Greys", vmin=picture.low_db, vmax=picture.high_db, aspect="auto",
            extent=(0, 1, 0, 1), interpolation="antialiased", origin="lower",
        )  # fmt: skip
        _ticks(axes.yaxis, [tick for tick in maps.y.ticks() if not tick.minor])
        axes.set_ylabel(maps.y.label)
        axes.set_title(picture.name, loc="left", fontsize=SMALL * paper.letters_pt)
        bar = figure.colorbar(drawn, ax=axes, pad=0.02, aspect=12)
        bar.set_label("dB", fontsize=SMALL * paper.letters_pt)
        bar.ax.tick_params(labelsize=SMALL * paper.letters_pt)
    along(rows[-1], maps.x, paper)


def _table(figure: Any, paper: Paper, table: Table) -> None:
    """Draw a table; letters shrink where it has more rows or words than the paper holds."""
    axes = figure.subplots()
    axes.set_axis_off()
    rows = table.rows[:MOST_ROWS]
    widths = [_letters(name, column) for name, column in _by_column(table.head, rows)]
    inside_in = (1 - 2 * _SIDE) * paper.size_in[0]
    letters_pt = min(
        paper.letters_pt,
        72 * inside_in / (_LETTER * sum(widths)),
        72 * 0.8 * paper.size_in[1] / (1.7 * (len(rows) + 2)),
    )
    edges = np.concatenate([[0.0], np.cumsum(widths) / sum(widths)])
    step = 1 / (len(rows) + 1)
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    texts = {"va": "center", "fontsize": letters_pt}
    for number, name in enumerate(table.head):
        left = number == 0 or table.words
        place = edges[number] if left else edges[number + 1] - 0.01
        side = "left" if left else "right"
        axes.text(place, 1 - step / 2, name, color=_SOFT, ha=side, **texts)
    axes.axhline(1 - step, color=_INK, linewidth=1.0)
    for row, cells in enumerate(rows):
        middle = 1 - step * (row + 1.5)
        axes.axhline(middle - step / 2, color=_RULE, linewidth=0.8)
        for number, cell in enumerate(cells):
            left, right = edges[number], edges[number + 1] - 0.01
            if isinstance(cell, Bar):
                length = 0.92 * (right - left) * cell.percent / 100
                axes.barh(
                    middle - 0.33 * step, length, 0.14 * step, left + 0.08 * (right - left),
                    color=COLOURS[cell.style],
                )  # fmt: skip
                axes.text(right, middle + 0.08 * step, cell.text, ha="right", **texts)
            elif number == 0 or table.words:
                axes.text(left, middle, cell, ha="left", **texts)
            else:
                axes.text(right, middle, cell, ha="right", **texts)


def _by_column(
    names: Sequence[str], rows: Sequence[Sequence[str | Bar]]
) -> list[tuple[str, list[str | Bar]]]:
    return [(name, [row[number] for row in rows]) for number, name in enumerate(names)]


def _letters(name: str, column: Sequence[str | Bar]) -> int:
    """Return how many letters wide a column is; bars need some room."""
    widest = max(len(cell.text) + 8 if isinstance(cell, Bar) else len(cell) for cell in column)
    return max(len(name), widest) + 3
