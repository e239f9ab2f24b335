"""What goes to the terminal: JSON and tables on stdout, progress and messages on stderr."""

from __future__ import annotations

import json
import math
import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console


def print_json(data: object) -> None:
    """Print one JSON object, in ASCII; numbers that are not finite become null."""
    click.echo(json.dumps(plain(data), indent=2, allow_nan=False))


def plain(data: Any) -> Any:
    """Return data with only what JSON knows: finite numbers, text, lists, objects, null."""
    if isinstance(data, dict):
        return {str(key): plain(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [plain(value) for value in data]
    if hasattr(data, "tolist"):  # an array or scalar of numpy, which need not be imported here
        return plain(data.tolist())
    if isinstance(data, float):
        return data if math.isfinite(data) else None
    if data is None or isinstance(data, str | bool | int):
        return data
    return str(data)


def say(message: str) -> None:
    """Print a message on stderr."""
    click.echo(message, err=True)


def console() -> Console:
    """Return a console on stdout: plain without a terminal, honouring NO_COLOR and width."""
    from rich.console import Console

    return Console(highlight=False, soft_wrap=False, width=None if sys.stdout.isatty() else 80)


def tell(screen: Console, line: str, indent: str = "", style: str = "") -> None:
    """Print one finding; what does not fit in a line goes on below it, indented."""
    from rich.text import Text

    wrapped = textwrap.fill(
        line,
        screen.width,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_on_hyphens=False,
    )
    screen.print(Text(wrapped, style=style))


@contextmanager
def working(what: str, quiet: bool) -> Iterator[None]:
    """Show on stderr that something long is under way, where somebody watches."""
    if quiet or not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    with Console(stderr=True).status(what):
        yield
