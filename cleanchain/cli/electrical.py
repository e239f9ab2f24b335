"""Option values of resistors, capacitors, coils, and known tones."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import click

#: Powers of ten of the letters that people write before a unit.
_PREFIXES = {"": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
_DBU_V = math.sqrt(0.6)


class Component(click.ParamType[float]):
    """A value of a part: 15nF, 1Mohm, 3H.

    Parameters
    ----------
    unit : str
        "F", "ohm" or "H".
    example : str
        What the help and the errors show.
    """

    def __init__(self, unit: str, example: str) -> None:
        self.unit, self.example, self.name = unit, example, unit

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """Show the unit."""
        return self.unit

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the number, its prefix and its unit."""
        if isinstance(value, int | float):
            return float(value)
        match = re.fullmatch(r"(\d+\.?\d*|\.\d+)\s*([pnuµmkM]?)(F|[Oo]hm|H)?", value.strip())
        right = match and (match.group(3) or self.unit).lower() == self.unit.lower()
        if match is None or not right or float(match.group(1)) <= 0:
            self.fail(
                f"{value!r} is not a value in {self.unit}, such as {self.example}", param, ctx
            )
        return float(match.group(1)) * _PREFIXES[match.group(2)]


def volts_of(level: str) -> float | None:
    """Rms volts of a level such as -20dBu, -10dBV, 0.775V or 12mV; None where it is none."""
    match = re.fullmatch(r"([+-]?\d+\.?\d*)\s*(dBu|dBV|mV|V)", level.strip())
    if match is None:
        return None
    number, unit = float(match.group(1)), match.group(2)
    if unit in ("dBu", "dBV"):
        return float((_DBU_V if unit == "dBu" else 1.0) * 10 ** (number / 20))
    return number * (1e-3 if unit == "mV" else 1.0) if number > 0 else None


class KnownTone(click.ParamType[tuple[Path, float]]):
    """A recorded tone and its level: tone.wav=-20dBu; becomes a path and rms volts."""

    name = "tone"

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """Show the form."""
        return "TONE=-20dBu"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[Path, float]:
        """Read the path and the level."""
        if isinstance(value, tuple):
            return value
        path, _, level = value.rpartition("=")
        volts = volts_of(level)
        if not path or volts is None:
            self.fail(f"{value!r} is not a tone and its level, such as tone.wav=-20dBu", param, ctx)
        return Path(path), volts


class Volts(click.ParamType[float]):
    """A level as rms volts: 2.1V, +8dBu."""

    name = "volts"

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """Show the units."""
        return "V|dBu|dBV"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the level."""
        if isinstance(value, int | float):
            return float(value)
        volts = volts_of(value)
        if volts is None:
            self.fail(f"{value!r} is not a level, such as 2.1V or +8dBu", param, ctx)
        return volts
