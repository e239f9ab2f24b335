"""What a page is made of: plain data, ready for the template."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from cleanchain.report.axes import Axis, plain
from cleanchain.report.pictures import png

Reals = NDArray[np.float64]
Greys = NDArray[np.uint8]
#: How a curve or bar is drawn; the page's style sheet knows these.
Style = Literal["before", "after", "removed", "floor", "a", "b", "c"]
#: Units of a drawing's inside, across and down; the page stretches it.
_ACROSS, _DOWN = 1000.0, 1000.0


@dataclass(frozen=True)
class Prose:
    """Paragraphs of words."""

    kind: ClassVar[str] = "prose"
    paragraphs: Sequence[str]


@dataclass(frozen=True)
class Points:
    """A list of short remarks."""

    kind: ClassVar[str] = "points"
    lines: Sequence[str]


@dataclass(frozen=True)
class Bar:
    """A number with a bar as long as it is large, as a cell of a table.

    Parameters
    ----------
    text : str
        The number in words.
    percent : float
        Length, 0 to 100.
    style : str
        How it is drawn.
    """

    text: str
    percent: float
    style: Style


@dataclass(frozen=True)
class Table:
    """A table whose first column names the rows.

    Parameters
    ----------
    caption : str
        What it shows.
    head : sequence of str
        Names of the columns.
    rows : sequence of sequence of str or Bar
        Cells.
    folded : bool
        Whether it is shown only when asked for.
    words : bool
        Whether the cells are words rather than numbers.
    about : str
        What to know to read it.
    """

    kind: ClassVar[str] = "table"
    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str | Bar]]
    folded: bool = False
    words: bool = False
    about: str = ""


@dataclass(frozen=True, eq=False)
class Curve:
    """A curve of a chart.

    Parameters
    ----------
    name : str
        For the legend and readings.
    style : str
        How it is drawn.
    x, y : ndarray of shape (points,)
        In the units of the axes, x rising.
    low, high : ndarray of shape (points,), optional
        Interval around y.
    marks : bool
        Whether points are drawn as dots instead of a line, and intervals as strokes.
    """

    name: str
    style: Style
    x: Reals
    y: Reals
    low: Reals | None = None
    high: Reals | None = None
    marks: bool = False

    def path(self, x_axis: Axis, y_axis: Axis) -> str:
        """Return the curve as an SVG path."""
        return "M" + "L".join(_points(self.x, self.y, x_axis, y_axis))

    def band(self, x_axis: Axis, y_axis: Axis) -> str:
        """Return the interval as an SVG path; empty where there is none."""
        if self.low is None or self.high is None:
            return ""
        there = _points(self.x, self.high, x_axis, y_axis)
        back = _points(self.x[::-1], self.low[::-1], x_axis, y_axis)
        return "M" + "L".join([*there, *back]) + "Z"

    def strokes(self, x_axis: Axis, y_axis: Axis) -> str:
        """Return the intervals as upright strokes, an SVG path; empty where there are none."""
        if self.low is None or self.high is None:
            return ""
        bottom, top = (_points(self.x, one, x_axis, y_axis) for one in (self.low, self.high))
        return "".join(f"M{b}L{t}" for b, t in zip(bottom, top, strict=True))

    def dots(self, x_axis: Axis, y_axis: Axis) -> str:
        """Return the points as an SVG path of strokes without length, whose caps are dots."""
        return "".join(f"M{point}h0" for point in _points(self.x, self.y, x_axis, y_axis))


@dataclass(frozen=True, eq=False)
class Chart:
    """Curves over one axis.

    Parameters
    ----------
    ident : str
        Letters only, unique in the page.
    title, words : str
        Heading, and what it shows in a sentence.
    x, y : Axis
        Axes.
    curves : sequence of Curve
        Drawn in order.
    marks_x : sequence of float
        Values marked along the bottom.
    marks_name : str
        What they are.
    notes : bool
        Whether notes are named along the top.
    table : Table, optional
        The numbers.
    """

    kind: ClassVar[str] = "chart"
    ident: str
    title: str
    words: str
    x: Axis
    y: Axis
    curves: Sequence[Curve]
    marks_x: Sequence[float] = ()
    marks_name: str = ""
    notes: bool = False
    table: Table | None = None

    def mark_places(self) -> list[float]:
        """Return where the marks lie, in percent."""
        return [100 * self.x.place(x) for x in self.marks_x if self.x.low < x < self.x.high]

    def data(self) -> dict[str, Any]:
        """Return what a script needs to read values from the chart."""
        return {
            "x": _axis_data(self.x),
            "y": _axis_data(self.y),
            "notes": self.notes,
            "marks": [x for x in self.marks_x if self.x.low < x < self.x.high],
            "curves": [
                {
                    "name": curve.name,
                    "marks": curve.marks,
                    "x": _rounded(curve.x, 3),
                    "y": _rounded(curve.y, self.y.digits + 1),
                    "low": None if curve.low is None else _rounded(curve.low, self.y.digits + 1),
                    "high": None if curve.high is None else _rounded(curve.high, self.y.digits + 1),
                }
                for curve in self.curves
            ],
        }


@dataclass(frozen=True, eq=False)
class Picture:
    """A field of levels by time and frequency.

    Parameters
    ----------
    name : str
        Such as "before".
    grey : ndarray of uint8 of shape (bands, columns)
        Lowest band first; 0 is `low_db` or less, 255 `high_db` or more.
    low_db, high_db : float
        Ends of the scale, `low_db` below `high_db`.
    """

    name: str
    grey: Greys
    low_db: float
    high_db: float

    @property
    def href(self) -> str:
        """The picture as a data address, black where `grey` is 0."""
        return f"data:image/png;base64,{base64.b64encode(png(self.grey[::-1])).decode('ascii')}"

    def levels(self) -> dict[str, str]:
        """Return `grey` as the chart library's scripts take an array."""
        bands, columns = self.grey.shape
        data = base64.b64encode(self.grey.tobytes()).decode("ascii")
        return {"dtype": "u1", "shape": f"{bands}, {columns}", "bdata": data}

    def ends(self) -> tuple[str, str]:
        """Return the ends of the scale in words."""
        return plain(self.low_db, 0), plain(self.high_db, 0)


@dataclass(frozen=True, eq=False)
class Maps:
    """Pictures over the same axes, one above the other."""

    kind: ClassVar[str] = "maps"
    ident: str
    title: str
    words: str
    x: Axis
    y: Axis
    pictures: Sequence[Picture]

    def data(self) -> dict[str, Any]:
        """Return what a script needs to read values from the pictures."""
        return {
            "x": _axis_data(self.x),
            "y": _axis_data(self.y),
            "pictures": [
                {
                    "name": one.name,
                    "low": one.low_db,
                    "high": one.high_db,
                    "levels": one.levels(),
                }
                for one in self.pictures
            ],
        }


@dataclass(frozen=True)
class Hearing:
    """The part of the page that is heard; see `cleanchain.report.waves`.

    Parameters
    ----------
    data : dict
        What the script needs besides the samples.
    waves : sequence of sequence of str
        Samples in base64, by passage.
    notes : sequence of str
        What to know about it.
    """

    kind: ClassVar[str] = "hearing"
    data: dict[str, Any]
    waves: Sequence[Sequence[str]]
    notes: Sequence[str] = ()


Element = Prose | Points | Table | Chart | Maps | Hearing


@dataclass(frozen=True)
class Section:
    """A part of the page with a heading."""

    ident: str
    title: str
    elements: Sequence[Element]


@dataclass(frozen=True)
class Page:
    """A whole page.

    Parameters
    ----------
    title : str
        Heading, such as the take's name.
    subtitle : str
        What was done, in a line.
    lead : str
        The paragraph that says it all in plain words.
    cautions : sequence of str
        What must be known before any advice is followed.
    sections : sequence of Section
        The rest, in order.
    """

    title: str
    subtitle: str
    lead: str
    cautions: Sequence[str] = ()
    sections: Sequence[Section] = field(default_factory=tuple)


def _points(x: Reals, y: Reals, x_axis: Axis, y_axis: Axis) -> list[str]:
    across = [_ACROSS * x_axis.place(value) for value in x.tolist()]
    down = [_DOWN * (1 - y_axis.place(value)) for value in y.tolist()]
    return [f"{a:.1f} {d:.1f}" for a, d in zip(across, down, strict=True)]


def _axis_data(axis: Axis) -> dict[str, Any]:
    return {
        "low": axis.low,
        "high": axis.high,
        "kind": axis.kind,
        "unit": axis.unit,
        "digits": axis.digits,
    }


def _rounded(values: Reals, digits: int) -> list[float]:
    rounded: list[float] = np.round(values, digits).tolist()
    return rounded
