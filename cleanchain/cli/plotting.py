"""Figures for elsewhere: which one, where to, how large; shared by several commands."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from cleanchain.cli.options import PATH
from cleanchain.cli.output import say
from cleanchain.report.paper import ENDINGS, FIGURES, PAPERS, write_picture

if TYPE_CHECKING:
    from cleanchain.report.paper import Drawing

Command = TypeVar("Command", bound=Callable[..., Any])
#: Every figure that there is something to show for, the name of each put into that of the file.
ALL = "all"


def plot_options(name: str) -> Callable[[Command], Command]:
    """Give a command the options --plot, --figure and --plot-size.

    Parameters
    ----------
    name : str
        The command's name.
    """
    sizes = ", ".join(f"{one.name} {one.width_px} x {one.height_px}" for one in PAPERS.values())
    options = (
        click.option("--plot", type=PATH, metavar="FILE.png|svg", help="Draw a figure."),
        click.option(
            "--figure",
            type=click.Choice([*FIGURES[name], ALL]),
            help=f"Which one --plot draws; {ALL}: each, as FILE-NAME.",
        ),
        click.option(
            "--plot-size",
            type=click.Choice(list(PAPERS)),
            default="post",
            show_default=True,
            help=f"Pixels: {sizes}.",
        ),
    )

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


def check_plot(
    command: str, plot: Path | None, figure: str | None, force: bool, inputs: Sequence[Path]
) -> None:
    """Refuse before the work a figure that could not be written after it.

    Raises
    ------
    SettingError
        If the name is not that of a picture, or a figure is chosen and none is drawn.
    PathError
        If it would replace an input, or something without --force.
    """
    from cleanchain.audio.atomic import check_place
    from cleanchain.errors import SettingError

    if plot is None:
        if figure is not None:
            raise SettingError("--figure says which one --plot draws", fix="Add --plot FILE.png.")
        return
    if plot.suffix.lower() not in ENDINGS:
        raise SettingError(
            f"{plot.name!r} is neither a PNG nor an SVG", fix="End its name in .png or .svg."
        )
    for path in [_named(plot, name) for name in FIGURES[command]] if figure == ALL else [plot]:
        check_place(path, overwrite=force, protect=inputs)


def draw_figures(
    figures: Mapping[str, Drawing], plot: Path, figure: str | None, size: str
) -> list[Path]:
    """Draw what was asked for, and say what was drawn.

    Parameters
    ----------
    figures : mapping of str to Drawing
        Those that there is something to show for, the one to be drawn unless asked otherwise first.
    plot : Path
        Given as --plot.
    figure, size : str
        Given as --figure and --plot-size.

    Raises
    ------
    SettingError
        If there is nothing to show in the figure that was asked for.
    """
    from cleanchain.errors import SettingError

    wanted = next(iter(figures)) if figure is None else figure
    if wanted != ALL and wanted not in figures:
        raise SettingError(
            f"there is nothing to draw as {wanted!r} here", fix=f"Choose of {', '.join(figures)}."
        )
    drawn = []
    for name in figures if wanted == ALL else [wanted]:
        path = _named(plot, name) if wanted == ALL else plot
        write_picture(figures[name], path, PAPERS[size])
        say(f"drawn: {path}")
        drawn.append(path)
    return drawn


def _named(plot: Path, name: str) -> Path:
    return plot.with_name(f"{plot.stem}-{name}{plot.suffix}")
