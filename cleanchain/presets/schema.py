"""What a preset holds, and every fault of one that was written by hand."""

from __future__ import annotations

import dataclasses
import datetime
import math
import types
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from cleanchain.errors import FitError, InputError, SettingError
from cleanchain.stages.base import Stage
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from cleanchain.stages.loudness import Loudness

#: Version of the files that are written; newer ones are refused by name.
FORMAT = 1
#: Stages that a preset may name.
STAGES: dict[str, type[Stage]] = {stage.name: stage for stage in (HighPass, Hum, Gate, Loudness)}
#: Most stages, channels, characters of a text, and the largest number that means anything here.
MOST_STAGES, MOST_CHANNELS, MOST_TEXT, LARGEST = 16, 64, 4000, 1e6
#: Most faults that are told.
MOST_TOLD = 20
_TABLES = ("preset", "passport", "stages")


@dataclass(frozen=True)
class Passport:
    """What the floor of a preset was recorded with, for a person to read.

    Parameters
    ----------
    made : date
        When the floor was learned.
    floor_sha256 : str
        Hash of the file beside the preset that holds the floor.
    rate_hz, channels : int
        Of the silence.
    seconds : float
        Length of the silence that is kept.
    hiss_dbfs : tuple of float
        Level of the hiss in each channel, 20 Hz to 20 kHz.
    hum_dbfs : tuple of float
        Level of all mains harmonics in each channel; empty where there is no hum.
    octaves_hz : tuple of float
        Octave bands whose shape is told.
    shape_dbfs : tuple of float
        Hiss in these bands, all channels together.
    mains_hz : float or None
        None where there is no hum.
    notes : str
        Of the owner: instrument, lead, interface, the place of its gain knob.
    """

    made: datetime.date
    floor_sha256: str
    rate_hz: int
    channels: int
    seconds: float
    hiss_dbfs: tuple[float, ...]
    hum_dbfs: tuple[float, ...] = ()
    octaves_hz: tuple[float, ...] = ()
    shape_dbfs: tuple[float, ...] = ()
    mains_hz: float | None = None
    notes: str = ""


@dataclass(frozen=True)
class Preset:
    """Settings of a chain and, where it was tuned to a build, the passport of its floor.

    Parameters
    ----------
    stages : tuple of Stage
        In the order in which they work.
    about : str
        What it is for.
    passport : Passport or None
        None where the preset carries no floor.
    """

    stages: tuple[Stage, ...]
    about: str = ""
    passport: Passport | None = None


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with a preset: where, what, and what to write instead."""

    path: str
    what: str
    fix: str = ""

    def __str__(self) -> str:
        return f"{self.path}: {self.what}" + (f". {self.fix}" if self.fix else "")


def read_preset(data: Mapping[str, Any], where: str) -> Preset:
    """Make a preset of plain data, or say everything that is wrong with it at once.

    Parameters
    ----------
    data : mapping
        As TOML gives it: tables "preset", "passport" (optional) and the list "stages".
    where : str
        What messages call it.

    Raises
    ------
    FitError
        If a newer version of the program wrote it.
    InputError
        If it has faults; each is named by its path, with a suggestion.
    """
    head = data.get("preset")
    written = head.get("format") if isinstance(head, Mapping) else None
    if isinstance(written, int) and not isinstance(written, bool) and written > FORMAT:
        raise FitError(
            f"is a preset of format {written}; this version knows format {FORMAT}",
            where=where,
            fix="Use the version of cleanchain that wrote it, or a newer one.",
        )
    faults: list[Fault] = []
    _unknown(data, _TABLES, "", faults)
    about = _read_head(head, faults)
    passport = _read_passport(data["passport"], faults) if "passport" in data else None
    stages = _read_stages(data.get("stages"), faults)
    if faults:
        count = f"{len(faults)} faults" if len(faults) > 1 else "a fault"
        raise InputError(
            "\n".join([f"has {count}:", *(str(fault) for fault in faults[:MOST_TOLD])]),
            where=where,
            fix="" if len(faults) <= MOST_TOLD else f"... and {len(faults) - MOST_TOLD} more.",
        )
    return Preset(stages, about, passport)


def settings_of(stage: Stage) -> dict[str, Any]:
    """Return the settings of a stage as they stand in a file: what is None is left out."""
    return {key: value for key, value in stage.settings().items() if value is not None}


def _unknown(table: Mapping[str, Any], known: Sequence[str], at: str, out: list[Fault]) -> None:
    for key in [key for key in table if key not in known][:MOST_TOLD]:
        near = get_close_matches(key[:80], known, 1, 0.5)
        fix = f"Did you mean {near[0]}?" if near else f"Known: {', '.join(known)}."
        out.append(Fault(f"{at}{_short(key)}", "no such key", fix))


def _short(value: object) -> str:
    text = str(value) if isinstance(value, str) else repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."


def _read_head(head: Any, faults: list[Fault]) -> str:
    if not isinstance(head, Mapping):
        faults.append(
            Fault("preset", "the table is missing", f"Write [preset], format = {FORMAT}.")
        )
        return ""
    _unknown(head, ("format", "about"), "preset.", faults)
    if head.get("format") != FORMAT or isinstance(head["format"], bool):
        faults.append(Fault("preset.format", "is not stated", f"Write format = {FORMAT}."))
    return _text(head.get("about", ""), "preset.about", faults)


def _read_passport(table: Any, faults: list[Fault]) -> Passport | None:
    if not isinstance(table, Mapping):
        faults.append(Fault("passport", "is not a table", "Write [passport]."))
        return None
    before = len(faults)
    fields = {field.name: field for field in dataclasses.fields(Passport)}
    _unknown(table, tuple(fields), "passport.", faults)
    hints = get_type_hints(Passport)
    values = {}
    for name, field in fields.items():
        path = f"passport.{name}"
        if name in table:
            values[name] = _value(table[name], hints[name], path, faults)
        elif field.default is dataclasses.MISSING:
            faults.append(Fault(path, "is missing", "Make the preset again: cleanchain tune."))
    if len(faults) > before:
        return None
    passport = Passport(**values)
    ranges = (
        ("rate_hz", 8_000, 384_000),
        ("channels", 1, MOST_CHANNELS),
        ("seconds", 0.1, 3600),
        ("mains_hz", 45, 65),
    )
    for name, low, high in ranges:
        value = getattr(passport, name)
        if value is not None and not low <= value <= high:
            faults.append(Fault(f"passport.{name}", f"{value} is outside {low} to {high}"))
    for name, wanted in (
        ("hiss_dbfs", passport.channels),
        ("hum_dbfs", passport.channels if passport.mains_hz is not None else 0),
        ("shape_dbfs", len(passport.octaves_hz)),
    ):
        found = len(getattr(passport, name))
        if found != wanted:
            faults.append(Fault(f"passport.{name}", f"holds {found} numbers, {wanted} are wanted"))
    if not (len(passport.floor_sha256) == 64 and set(passport.floor_sha256) <= set(_HEX)):
        faults.append(Fault("passport.floor_sha256", "is not a hash of 64 hexadecimal digits"))
    return passport


_HEX = "0123456789abcdef"


def _read_stages(tables: Any, faults: list[Fault]) -> tuple[Stage, ...]:
    if not isinstance(tables, list) or not all(isinstance(table, Mapping) for table in tables):
        fix = 'Write [[stages]] and under it stage = "gate", one for each.'
        faults.append(Fault("stages", "are missing or no list of tables", fix))
        return ()
    if not 1 <= len(tables) <= MOST_STAGES:
        faults.append(Fault("stages", f"{len(tables)} of them; 1 to {MOST_STAGES} are wanted"))
        return ()
    read = [_read_stage(table, f"stages[{n}]", faults) for n, table in enumerate(tables, 1)]
    return tuple(stage for stage in read if stage is not None)


def _read_stage(table: Mapping[str, Any], path: str, faults: list[Fault]) -> Stage | None:
    name = table.get("stage")
    if not isinstance(name, str) or name not in STAGES:
        near = get_close_matches(name[:80], STAGES, 1) if isinstance(name, str) else []
        fix = f"Did you mean {near[0]}?" if near else f"One of: {', '.join(STAGES)}."
        faults.append(Fault(f"{path}.stage", f"{_short(name)} is no stage", fix))
        return None
    cls = STAGES[name]
    hints = get_type_hints(cls)
    known = [field.name for field in dataclasses.fields(cls)]  # type: ignore[arg-type]
    _unknown(table, ["stage", *known], f"{path}.", faults)
    before = len(faults)
    values = {}
    for key in known:
        if key not in table:
            continue
        at = f"{path}.{key}"
        found = len(faults)
        values[key] = _value(table[key], hints[key], at, faults)
        if len(faults) > found:
            continue
        try:
            cls(**{key: values[key]})
        except SettingError as error:
            faults.append(Fault(at, error.what, error.fix))
    if len(faults) > before:
        return None
    stage = cls(**values)
    if isinstance(stage, Hum) and stage.reference_is_file:
        fix = 'Give it on the command line: hum --reference FILE. "channel 2" may stand here.'
        faults.append(Fault(f"{path}.reference", "a file belongs to one take", fix))
        return None
    return stage


def _value(value: Any, hint: Any, path: str, faults: list[Fault]) -> Any:
    """Return a value as the type that is wanted, or note why it is not one."""
    if get_origin(hint) in (Union, types.UnionType):
        hint = next(one for one in get_args(hint) if one is not type(None))
    if get_origin(hint) is tuple:
        if not isinstance(value, list) or len(value) > 100:
            faults.append(Fault(path, "is not a list of numbers"))
            return ()
        return tuple(_number(one, f"{path}[{n}]", faults) for n, one in enumerate(value, 1))
    if get_origin(hint) is Literal:
        choices = get_args(hint)
        if not isinstance(value, str) or value not in choices:
            faults.append(Fault(path, f"{_short(value)} is none", f"One of: {', '.join(choices)}."))
        return value
    if hint is str:
        return _text(value, path, faults)
    if hint is float:
        return _number(value, path, faults)
    right = {bool: "true or false", int: "a whole number", datetime.date: "a date"}[hint]
    if type(value) is not hint:
        faults.append(Fault(path, f"{_short(value)} is not {right}"))
    return value


def _number(value: Any, path: str, faults: list[Fault]) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        unit = path.rsplit("_", 1)[-1] if "_" in path else ""
        hint = f"Write a plain number, in {unit}, without quotes" if unit else "Write a number"
        faults.append(Fault(path, f"{_short(value)} is not a number", f"{hint}."))
        return 0.0
    if not math.isfinite(value) or abs(value) > LARGEST:
        faults.append(Fault(path, f"{_short(value)} is no number that means anything here"))
        return 0.0
    return float(value)


def _text(value: Any, path: str, faults: list[Fault]) -> str:
    if not isinstance(value, str) or len(value) > MOST_TEXT:
        what = "is too long" if isinstance(value, str) else f"{_short(value)} is not a text"
        faults.append(Fault(path, what, "Put it in quotes." if what != "is too long" else ""))
        return ""
    return value
