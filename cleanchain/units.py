"""Texts with units to numbers, and numbers to texts; decibels to ratios and back."""

from __future__ import annotations

import math
import re
from itertools import pairwise

from cleanchain.errors import SettingError

_NUMBER = re.compile(r"^\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d{1,3})?)\s*([a-z%/]*)\s*$", re.I)
_CLOCK = re.compile(r"^(?:(\d{1,4}):)?(\d{1,6}):(\d{1,2}(?:\.\d*)?)$")

#: Scale factors of every unit, by the quantity it measures; the first one is the bare number's.
UNITS: dict[str, dict[str, float]] = {
    "frequency": {"Hz": 1.0, "kHz": 1e3},
    "level difference": {"dB": 1.0},
    "loudness": {"LUFS": 1.0, "LKFS": 1.0},
    "true peak": {"dBTP": 1.0},
    "time": {"s": 1.0, "ms": 1e-3, "min": 60.0},
    "electrical level": {"dBu": 1.0, "dBV": 1.0, "V": 1.0, "mV": 1e-3},
}


def percent(part: float) -> str:
    """Write a part of a whole without rounding it to nothing or to all of it: ``over 99.5 %``."""
    if 0.0 < part < 0.005:
        return "under 0.5 %"
    if 0.995 <= part < 1.0:
        return "over 99.5 %"
    return f"{100 * part:.0f} %"


def parse_quantity(text: str, quantity: str) -> float:
    """Read a number with its unit.

    Parameters
    ----------
    text : str
        For instance ``"60Hz"``, ``"2.5kHz"``, ``"-23LUFS"``. A bare number is read in the
        quantity's first unit.
    quantity : str
        A key of `UNITS`.

    Returns
    -------
    float
        The value in the quantity's first unit.

    Raises
    ------
    SettingError
        If there is no finite number or the unit is not one of the quantity's.
    """
    units = UNITS[quantity]
    first = next(iter(units))
    match = _NUMBER.match(text)
    known = " or ".join(units)
    if match is None:
        raise SettingError(
            f"{text!r} is not a {quantity}", fix=f"Write a number and {known}, such as 12{first}."
        )
    number, unit = float(match.group(1)), match.group(2)
    scale = {name.lower(): factor for name, factor in units.items()}.get(unit.lower())
    if unit and scale is None:
        raise SettingError(
            f"{text!r} has the unit {unit!r}, but a {quantity} is wanted",
            fix=f"Write it in {known}, such as {match.group(1)}{first}.",
        )
    value = number * (1.0 if scale is None else scale)
    if not math.isfinite(value):
        raise SettingError(f"{text!r} is not a finite {quantity}")
    return value


def parse_time_s(text: str) -> float:
    """Read a time: ``"30s"``, ``"250ms"``, ``"1:23.5"`` or ``"1:02:03"``; seconds out."""
    clock = _CLOCK.match(text.strip())
    if clock is None:
        value = parse_quantity(text, "time")
        if value < 0:
            raise SettingError(f"the time {text!r} is before the start", fix="Times start at 0:00.")
        return value
    hours, minutes, seconds = clock.groups()
    if float(seconds) >= 60 or (hours is not None and int(minutes) >= 60):
        raise SettingError(
            f"{text!r} is not a time", fix="Seconds (and minutes after hours) stay below 60."
        )
    return int(hours or 0) * 3600.0 + int(minutes) * 60.0 + float(seconds)


def parse_ranges_s(text: str) -> tuple[tuple[float, float], ...]:
    """Read time ranges such as ``"0:00-0:08,2:10-2:14"``; (start, stop) pairs in seconds out.

    Raises
    ------
    SettingError
        If a part is not START-STOP, or a range is empty, reversed or overlaps an earlier one.
    """
    ranges: list[tuple[float, float]] = []
    for part in text.split(","):
        ends = part.strip().split("-")
        if len(ends) != 2 or not all(ends):
            raise SettingError(
                f"{part.strip()!r} is not a time range",
                fix="Write START-STOP, such as 0:00-0:08, more of them with commas.",
            )
        start, stop = (parse_time_s(end) for end in ends)
        if stop <= start:
            raise SettingError(
                f"the range {part.strip()!r} ends before it starts", fix="Write START-STOP."
            )
        ranges.append((start, stop))
    ranges.sort()
    for (_, stop), (start, _) in pairwise(ranges):
        if start < stop:
            raise SettingError(f"the ranges {text!r} overlap", fix="Give each stretch once.")
    return tuple(ranges)


def looks_like_ranges(text: str) -> bool:
    """Whether a text is meant as time ranges of the take rather than as a file's name."""
    return re.fullmatch(r"[\d:.,smin\s]+-[\d:.,smin\s-]+", text) is not None


def format_time(seconds: float) -> str:
    """Write a time as m:ss.t, or h:mm:ss.t from an hour on."""
    tenths = round(seconds * 10)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 10:02d}.{rest % 10}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"


def power_db(ratio: float) -> float:
    """10 lg of a power ratio; minus infinity for zero."""
    return 10.0 * math.log10(ratio) if ratio > 0 else -math.inf


def db_to_amplitude(level_db: float) -> float:
    """Amplitude ratio of a level difference in decibels."""
    return float(10.0 ** (level_db / 20.0))


def rms_dbfs(mean_square: float) -> float:
    """Level in dBFS of a mean square of samples at full scale 1.

    0 dBFS is the rms of a full-scale sine (AES17-2015, 3.12), so a mean square of 0.5.
    """
    return power_db(2.0 * mean_square)
