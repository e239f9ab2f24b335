"""Sizes that figures are drawn at, and the one way in which they become files."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cleanchain.audio.atomic import renamed_when_whole

#: Pixels an inch in PNG files.
DPI = 200
#: Endings of the files that can be written.
ENDINGS = (".png", ".svg")


@dataclass(frozen=True)
class Paper:
    """What a figure is drawn on.

    Parameters
    ----------
    name : str
        A key of `PAPERS`.
    width_px, height_px : int
        Size of a PNG; an SVG has the same shape.
    letters_pt : float
        Size of the letters, 72 pt an inch.
    """

    name: str
    width_px: int
    height_px: int
    letters_pt: float

    @property
    def size_in(self) -> tuple[float, float]:
        """Width and height in inches."""
        return self.width_px / DPI, self.height_px / DPI

    @property
    def letter_share(self) -> float:
        """Height of the letters as a share of the width: what a small screen leaves of them."""
        return self.letters_pt / 72 / self.size_in[0]


#: A post is as wide as a telephone and read there; a slide is read from the back of a room; a page
#: is read beside text.
PAPERS = {
    paper.name: paper
    for paper in (
        Paper("post", 1080, 1350, 12.0),
        Paper("page", 1600, 1200, 14.0),
        Paper("slide", 1920, 1080, 15.0),
    )
}

#: What can be drawn, by command; the one that is drawn unless another is asked for first.
FIGURES = {
    "clean": ("spectra", "spectrograms", "ledger", "hum", "mains"),
    "measure": ("floor", "spectra", "heard", "hum"),
    "compare": (
        "snr", "differences", "octaves", "levels", "own-noise", "shared", "hum", "ledger",
        "spectra",
    ),
}  # fmt: skip

#: Draws into an empty figure of matplotlib that has the paper's size.
Drawing = Callable[[Any, Paper], None]


def write_picture(draw: Drawing, path: Path, paper: Paper) -> None:
    """Draw a figure into a file, all or nothing; the same numbers make the same file.

    Parameters
    ----------
    draw : Drawing
        What is drawn.
    path : Path
        Ends in one of `ENDINGS`; checked before by `cleanchain.audio.writing.check_place`.
    paper : Paper
        Its size.
    """
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    look: Any = {
        "font.size": paper.letters_pt,
        "svg.fonttype": "none",
        "svg.hashsalt": "cleanchain",
        "text.parse_math": False,  # a "$" in a name begins no formula
        "axes.spines.right": False,
        "axes.spines.top": False,
    }
    kind = path.suffix.lower()[1:]
    undated = {"Date": None} if kind == "svg" else {}
    with pyplot.rc_context(look), warnings.catch_warnings():
        # A name may hold letters that the font lacks; boxes stand in for them.
        warnings.filterwarnings("ignore", "Glyph .* missing from")
        figure = pyplot.figure(figsize=paper.size_in, layout="constrained")
        try:
            draw(figure, paper)
            with renamed_when_whole(path) as part:
                figure.savefig(part, dpi=DPI, format=kind, metadata=undated)
        finally:
            pyplot.close(figure)
