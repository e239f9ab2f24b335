"""Figures for elsewhere: sizes, what can be read on them, and what they show."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from cleanchain.measure.spectrogram import Spectrogram
from cleanchain.report.axes import UNKNOWN, Axis
from cleanchain.report.charts import spectrograms
from cleanchain.report.drawing import COLOURS, SMALL, drawing_of
from cleanchain.report.elements import Bar, Chart, Curve, Maps, Table
from cleanchain.report.paper import DPI, PAPERS, Paper, write_picture

#: Width of a telephone, and the smallest letters that are read there, in CSS pixels.
PHONE_PX, LEAST_LETTERS_PX = 390, 10.0
HZ = np.geomspace(20, 20_000, 60)
LONG = "a-take-with-a-rather-long-name-from-the-second-evening-of-recording.wav"


def chart() -> Chart:
    level = -60 - 10 * np.log10(HZ / 20)
    curves = [
        Curve("before", "before", HZ, level, level - 1, level + 1),
        Curve("removed", "removed", HZ, level - 10),
        Curve("not known", "floor", HZ[::6], level[::6] - 20, level[::6] - 25, level[::6], True),
    ]
    x = Axis("frequency, Hz", 20.0, 20_000.0, "frequency", "Hz")
    y = Axis("level in 1 Hz, dB re full-scale sine", -130.0, -50.0, "level", "dB")
    return Chart("one", "Spectra", "In words. " * 9, x, y, curves, (50.0, 150.0), "hum lines", True)


def maps() -> Maps:
    level = np.linspace(-90, -10, 40 * 30).reshape(40, 30)
    field = Spectrogram(level, 40.0, 20_000.0, 75.0)
    fields = {"before": field, "after": field}
    return spectrograms("two", "By time", "In words.", fields, field, "lowered", 12.0)


def table() -> Table:
    rows = [[f"{k} Hz", Bar(f"{k}.0", 10.0 * k, "removed"), "-3.0", UNKNOWN] for k in range(1, 11)]
    return Table("What each octave lost, dB", ["octave", "noise", "signal", "tails"], rows)


SHEETS = [(chart, "post"), (chart, "page"), (chart, "slide"), (maps, "post"), (maps, "slide"),
          (table, "post"), (table, "slide")]  # fmt: skip


@pytest.mark.parametrize(("made", "size"), SHEETS)
def test_everything_is_on_the_paper_and_no_words_overlap(
    tmp_path: Path, made: Callable[[], Any], size: str
) -> None:
    paper, element = PAPERS[size], made()
    seen: list[tuple[str, Any]] = []

    def draw(figure: Any, paper: Paper) -> None:
        drawing_of(element, LONG)(figure, paper)
        figure.canvas.draw()
        seen.extend(words_of(figure))

    write_picture(draw, tmp_path / "one.png", paper)
    with Image.open(tmp_path / "one.png") as picture:
        assert picture.size == (paper.width_px, paper.height_px)
    assert len(seen) > 10
    for text, box in seen:
        assert 0 <= box.x0 < box.x1 <= paper.width_px, text
        assert 0 <= box.y0 < box.y1 <= paper.height_px, text
    for (one, first), (other, second) in itertools.combinations(seen, 2):
        across = min(first.x1, second.x1) - max(first.x0, second.x0)
        upright = min(first.y1, second.y1) - max(first.y0, second.y0)
        assert across <= 1 or upright <= 1, (one, other)


def words_of(figure: Any) -> Iterator[tuple[str, Any]]:
    """Every text that is seen, with its box in pixels of the file."""
    from matplotlib.axes import Axes
    from matplotlib.text import Text

    scale = DPI / figure.dpi
    undrawn = {
        id(label)
        for axes in figure.findobj(Axes)
        for axis in (axes.xaxis, axes.yaxis)
        for tick in axis.get_major_ticks()
        for label in (tick.label1, tick.label2)
        if not _between(tick.get_loc(), axis.get_view_interval())
    }
    for text in figure.findobj(Text):
        if text.get_visible() and text.get_text().strip() and id(text) not in undrawn:
            box = text.get_window_extent()
            yield text.get_text(), type(box).from_extents(*(np.array(box.extents) * scale))


def _between(place: float, ends: Any) -> bool:
    return bool(min(ends) - 1e-9 <= place <= max(ends) + 1e-9)


def test_letters_of_a_post_are_read_on_a_telephone() -> None:
    assert PAPERS["post"].letter_share * SMALL * PHONE_PX >= LEAST_LETTERS_PX


def test_a_curve_lies_where_its_values_are() -> None:
    from matplotlib.figure import Figure

    figure = Figure(layout="constrained", figsize=PAPERS["page"].size_in)
    drawing_of(chart(), "take.wav")(figure, PAPERS["page"])
    line = next(one for one in figure.axes[0].lines if one.get_label() == "before")
    x, y = line.get_data()
    np.testing.assert_allclose(x, np.log10(HZ / 20) / 3, atol=1e-12)
    np.testing.assert_allclose(-130 + 80 * y, -60 - 10 * np.log10(HZ / 20), atol=1e-9)


def test_figures_have_the_colours_of_the_page() -> None:
    style = (files("cleanchain.report") / "templates" / "page.css").read_text("utf-8")
    light = dict(re.findall(r"--(\w+): (#\w+);", style.split("@media")[0]))
    named = {"a": "before", "b": "after"}
    assert {key: light[named.get(key, key)] for key in COLOURS} == COLOURS


def test_any_name_can_be_drawn(tmp_path: Path) -> None:
    names = ("$x_{", "\udcff\udcfe.wav", "<script>alert(1)</script>", "\U0001f3b8", "a" * 300)
    write_picture(drawing_of(table(), " ".join(names)), tmp_path / "name.svg", PAPERS["slide"])
    assert "<script" not in (tmp_path / "name.svg").read_text(encoding="utf-8")
