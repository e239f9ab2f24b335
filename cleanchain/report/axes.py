"""Axes of the page's charts: where a value lies, and which values are named."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from cleanchain.units import format_time

Kind = Literal["frequency", "time", "level"]
_NOTES = ("C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B")
_A4_HZ = 440.0
#: Typographic signs: a true minus, and what stands for a number that is not known.
MINUS, UNKNOWN = "\N{MINUS SIGN}", "\N{EN DASH}"


@dataclass(frozen=True)
class Tick:
    """A named value.

    Parameters
    ----------
    percent : float
        Where it lies from the low end, 0 to 100.
    text : str
        What is written there.
    minor : bool
        Whether it may be left out where there is little room.
    zero : bool
        Whether it is the nothing that levels are counted from.
    """

    percent: float
    text: str
    minor: bool = False
    zero: bool = False

    @property
    def classes(self) -> str:
        """Names for the style sheet: at the ends a text leans inwards."""
        end = "first" if self.percent < 4 else "last" if self.percent > 96 else ""
        return f"{'minor' if self.minor else ''} {end}".strip()


@dataclass(frozen=True)
class Axis:
    """One axis.

    Parameters
    ----------
    label : str
        What lies along it, with the unit.
    low, high : float
        Ends.
    kind : {"frequency", "time", "level"}
        Frequencies in Hz lie on a logarithmic axis, times in s and levels in dB on a plain one.
    unit : str
        For readings.
    digits : int
        Decimals of readings.
    """

    label: str
    low: float
    high: float
    kind: Kind
    unit: str
    digits: int = 1

    def place(self, value: float) -> float:
        """Return where a value lies, 0 at the low end, 1 at the high one."""
        if self.kind == "frequency":
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def value(self, place: float) -> float:
        """Return which value lies at a place, 0 being the low end, 1 the high one."""
        if self.kind == "frequency":
            return float(self.low * (self.high / self.low) ** place)
        return self.low + (self.high - self.low) * place

    def ticks(self) -> list[Tick]:
        """Return the values that are named."""
        if self.kind == "frequency":
            return self._frequency_ticks()
        step = _round_step((self.high - self.low) / (8 if self.kind == "time" else 6))
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        ticks = []
        for number in range(first, last + 1):
            value = number * step
            text = format_time(value) if self.kind == "time" else _signed(value, digits)
            ticks.append(
                Tick(100 * self.place(value), text, minor=number % 2 == 1, zero=not number)
            )
        return ticks

    def _frequency_ticks(self) -> list[Tick]:
        ticks = []
        for decade in range(1, 5):
            for digit in (1, 2, 5):
                hz = digit * 10**decade
                if self.low <= hz <= self.high:
                    text = f"{hz // 1000} k" if hz >= 1000 else str(hz)
                    ticks.append(Tick(100 * self.place(hz), text, minor=digit != 1))
        return ticks

    def notes(self) -> list[Tick]:
        """Return the As and Es between the ends, in equal temperament with A4 at 440 Hz."""
        ticks = []
        for octave in range(10):
            a_hz = _A4_HZ * 2.0 ** (octave - 4)
            if self.low < a_hz < self.high:
                ticks.append(Tick(100 * self.place(a_hz), f"A{octave}"))
        return ticks


def note_name(frequency_hz: float) -> str:
    """Name the nearest note with the distance in cents: ``A4 +3``."""
    semitones = 69 + 12 * math.log2(frequency_hz / _A4_HZ)
    nearest = round(semitones)
    cents = round(100 * (semitones - nearest))
    name = f"{_NOTES[nearest % 12]}{nearest // 12 - 1}"
    return name if cents == 0 else f"{name} {signed(cents, 0)} cents"


def signed(value: float, digits: int = 1) -> str:
    """Write a number with its sign, a true minus for less than nothing, 0 without a sign."""
    rounded = round(value, digits)
    if rounded == 0:
        return f"{0:.{digits}f}"
    return f"{rounded:+.{digits}f}".replace("-", MINUS)


def typeset(text: str) -> str:
    """Put true minus signs into a text, before numbers and between names."""
    return re.sub(r"(?<![\w-])-(?=\d)|(?<= )-(?= )", MINUS, text)


def glued(text: str) -> str:
    """Keep numbers and their units in one line."""
    return re.sub(
        r"(?<=\d) (?=(?:%|[kM]?Hz|dB\w*|LUFS|LU|m?s|ppm)(?![\w]))", "\N{NO-BREAK SPACE}", text
    )


def plain(value: float, digits: int = 1) -> str:
    """Write a number with a true minus."""
    return _signed(value, digits)


def _signed(value: float, digits: int) -> str:
    rounded = round(value, digits)
    return f"{rounded if rounded else 0:.{digits}f}".replace("-", MINUS)


def _round_step(wanted: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not below."""
    power = 10.0 ** math.floor(math.log10(wanted))
    return next(power * factor for factor in (1, 2, 5, 10) if power * factor >= wanted * 0.999)
