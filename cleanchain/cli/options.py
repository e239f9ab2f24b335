"""Option types with units, and what several commands share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from cleanchain.errors import SettingError
from cleanchain.units import UNITS, parse_quantity, parse_time_s


class Quantity(click.ParamType[float | str]):
    """A number with its unit, such as 60Hz or 12dB; becomes a float in the first unit.

    Parameters
    ----------
    quantity : str
        A key of `cleanchain.units.UNITS`.
    low, high : float, optional
        Smallest and largest value allowed.
    words : tuple of str, optional
        Words that are taken as they are, such as "auto".
    """

    def __init__(
        self,
        quantity: str,
        low: float = float("-inf"),
        high: float = float("inf"),
        words: tuple[str, ...] = (),
    ) -> None:
        self.quantity, self.low, self.high, self.words = quantity, low, high, words
        self.name = next(iter(UNITS[quantity]))

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """Show the words and the unit in the help."""
        return "|".join([*self.words, self.name.upper() if self.name == "s" else self.name])

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | str:
        """Read the text; a number passes."""
        if isinstance(value, int | float):
            return float(value)
        if value in self.words:
            return str(value)
        try:
            read = parse_time_s if self.quantity == "time" else self._read
            number = read(value)
        except SettingError as error:
            self.fail(str(error).replace("\n", ". "), param, ctx)
        if not self.low <= number <= self.high:
            unit = self.name
            bounds = f"outside {self.low:g}{unit} to {self.high:g}{unit}"
            if math.isinf(self.high):
                bounds = f"below {self.low:g}{unit}"
            self.fail(f"{value!r} is {bounds}", param, ctx)
        return number

    def _read(self, text: str) -> float:
        return parse_quantity(text, self.quantity)


#: A path that need not exist; files are checked where they are opened, with better words.
PATH = click.Path(path_type=Path, readable=False)

json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object and nothing else."
)
force_option = click.option("--force", is_flag=True, help="Overwrite an existing output file.")


def check_page(path: Path, force: bool, inputs: Sequence[Path]) -> None:
    """Refuse before the work a report that could not be written after it.

    Raises
    ------
    SettingError
        If the name is not that of a page.
    PathError
        If it would replace an input, or something without --force.
    """
    from cleanchain.audio.atomic import check_place

    if path.suffix.lower() not in (".html", ".htm"):
        raise SettingError(f"{path.name!r} is not a page's name", fix="End it in .html.")
    check_place(path, overwrite=force, protect=inputs)
