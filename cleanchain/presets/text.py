"""Presets as TOML: read within limits, written so that a person's comments survive."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from cleanchain.presets.reading import parse_toml
from cleanchain.presets.schema import FORMAT, Preset, read_preset, settings_of

if TYPE_CHECKING:
    from tomlkit import TOMLDocument
    from tomlkit.items import Table

#: Words for a setting, by the stage's number (from 0) and the setting's name.
Reasons = Mapping[tuple[int, str], str]
#: What a comment begins with that gives such words.
_REASON = "# tuned: "
_DO_NOT_EDIT = "What the floor beside this file was recorded with. Not to be edited: tune again."


def parse_preset(data: bytes, where: str) -> Preset:
    """Read a preset's text; see `cleanchain.presets.schema.read_preset`."""
    return read_preset(parse_toml(data, where), where)


def write_preset(
    preset: Preset, reasons: Reasons | None = None, old: bytes | None = None, title: str = ""
) -> str:
    """Return a preset as text.

    Parameters
    ----------
    preset : Preset
        What to write.
    reasons : mapping, optional
        A comment for a setting, marked as found by tuning; it takes the place of an older one of
        its kind, never that of what a person wrote there.
    old : bytes, optional
        Text of the same preset as it stood: its comments, its order and its spacing are kept.
    title : str, optional
        Comment at the head of a new text.
    """
    import tomlkit

    document = tomlkit.document() if old is None else tomlkit.parse(old.decode("utf-8"))
    if old is None and title:
        document.add(tomlkit.comment(_one_line(title)))
    head = _table(document, "preset")
    _set(head, "format", FORMAT)
    _set(head, "about", preset.about)
    if preset.passport is None:
        document.pop("passport", None)
    else:
        new = "passport" not in document
        table = _table(document, "passport")
        if new:
            table.add(tomlkit.comment(_DO_NOT_EDIT))
        fields = dataclasses.asdict(preset.passport)
        fields = {key: value for key, value in fields.items() if value is not None}
        _replace(table, {k: list(v) if isinstance(v, tuple) else v for k, v in fields.items()})
    _write_stages(document, preset, reasons or {})
    return tomlkit.dumps(document)


def _write_stages(document: TOMLDocument, preset: Preset, reasons: Reasons) -> None:
    import tomlkit

    wanted = [{"stage": stage.name, **settings_of(stage)} for stage in preset.stages]
    there: Any = document.get("stages")
    names = [] if there is None else [str(table.get("stage")) for table in there]
    new = there is None
    if names != [table["stage"] for table in wanted]:
        old = list(there or [])
        document.pop("stages", None)
        document.append("stages", tomlkit.aot())
        there = document["stages"]
        for values in wanted:
            # A stage that was there already keeps what a person wrote in it.
            at = names.index(values["stage"]) if values["stage"] in names else None
            there.append(tomlkit.table() if at is None else old.pop(at))
            if at is not None:
                names.pop(at)
    for number, (table, values) in enumerate(zip(there, wanted, strict=True)):
        _replace(table, values)
        for key in values:
            if (number, key) in reasons:
                item: Any = table.item(key)
                if not item.trivia.comment or item.trivia.comment.startswith(_REASON):
                    item.comment(_one_line(f"{_REASON[2:]}{reasons[number, key]}"))
        if new and number + 1 < len(wanted):
            table.add(tomlkit.nl())


def _one_line(text: str) -> str:
    """Return text that a comment may hold."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _table(document: TOMLDocument, name: str) -> Table:
    import tomlkit

    if name not in document:
        document.append(name, tomlkit.table())
    table: Any = document[name]
    return table  # type: ignore[no-any-return]


def _replace(table: Table, values: Mapping[str, Any]) -> None:
    """Give a table these values and no others; what stays as it is keeps its spelling."""
    for key in [key for key in table if key not in values]:
        table.remove(key)
    for key, value in values.items():
        _set(table, key, value)


def _set(table: Table, key: str, value: Any) -> None:
    """Set a value and keep the comment behind it."""
    if key in table:
        old: Any = table.item(key)
        if old.unwrap() == value and type(old.unwrap()) is type(value):
            return
        comment = old.trivia.comment
        table[key] = value
        if comment:
            new: Any = table.item(key)
            new.comment(comment.lstrip("# "))
    else:
        table[key] = value
