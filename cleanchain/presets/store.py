"""Presets on disk: saved whole, opened with their floor, removed, carried to other machines."""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cleanchain.audio.writing import check_place, renamed_when_whole
from cleanchain.errors import FitError, InputError, PathError
from cleanchain.presets import floor as floors
from cleanchain.presets import text as texts
from cleanchain.presets.floor import Floor
from cleanchain.presets.names import (
    check_name,
    find_preset,
    inside,
    names_in,
    own_folder,
    shipped_folder,
)
from cleanchain.presets.reading import MOST_BYTES, parse_toml, read_limited
from cleanchain.presets.schema import Preset

#: Members of a preset that is carried in one file.
_TEXT, _FLOOR = "preset.toml", "floor.npz"


@dataclass(frozen=True, eq=False)
class Stored:
    """A preset as it was opened.

    Parameters
    ----------
    name : str
        What it is called.
    preset : Preset
        Its settings and its passport.
    floor : Floor or None
        None where it has no passport.
    path : Path
        Its text.
    """

    name: str
    preset: Preset
    floor: Floor | None
    path: Path

    @property
    def shipped(self) -> bool:
        """Whether it came with the program."""
        return self.path.parent == shipped_folder()

    @property
    def floor_path(self) -> Path:
        """Where its floor lies, if it has one."""
        return self.path.with_suffix(".npz")


def open_preset(name: str) -> Stored:
    """Open a preset with its floor.

    Raises
    ------
    SettingError
        If there is none of this name.
    InputError
        If its text or its floor has faults.
    FitError
        If a newer version wrote it, or the floor beside it is missing or another one.
    """
    path = find_preset(name)
    preset = read_text(path)
    stored = Stored(name, preset, None, path)
    if preset.passport is None:
        return stored
    beside = stored.floor_path
    if not beside.exists():
        raise FitError(
            f"the floor {beside.name} is missing beside it",
            where=str(path),
            fix="Copy it there, import the exported preset again, or tune again.",
        )
    data = read_limited(inside(beside, path.parent), floors.MOST_BYTES)
    return Stored(name, preset, checked_floor(preset, data, str(beside)), path)


def read_text(path: Path) -> Preset:
    """Read a preset's text alone."""
    return texts.parse_preset(read_limited(path, MOST_BYTES), str(path))


def checked_floor(preset: Preset, data: bytes, where: str) -> Floor:
    """Read a floor and hold it against the passport that it belongs to.

    Raises
    ------
    FitError
        If it is another floor than the passport's.
    """
    passport = preset.passport
    assert passport is not None
    if hashlib.sha256(data).hexdigest() != passport.floor_sha256:
        raise FitError(
            "is not the floor that its preset was saved with (another hash)",
            where=where,
            fix="Import the exported preset again, or tune again.",
        )
    floor = floors.unpack_floor(data, where)
    here = (floor.silence.rate_hz, floor.silence.channels)
    if here != (passport.rate_hz, passport.channels):
        raise FitError(
            f"has {here[0]} Hz and {here[1]} channel(s), its passport says {passport.rate_hz} Hz "
            f"and {passport.channels}",
            where=where,
            fix="The passport is not to be edited: tune again.",
        )
    return floor


def save(
    name: str,
    make: Callable[[str | None], Preset],
    floor: Floor | None,
    reasons: texts.Reasons | None = None,
    title: str = "",
    overwrite: bool = False,
) -> Path:
    """Save a preset among one's own; comments of the one that it replaces are kept.

    Parameters
    ----------
    name : str
        A slug; see `cleanchain.presets.names.check_name`.
    make : callable
        Given the hash of the floor's file (None without a floor), returns the preset.
    floor : Floor or None
        What its stages learn from.
    reasons, title
        See `cleanchain.presets.text.write_preset`.
    overwrite : bool, optional
        Whether a preset of this name may be replaced.

    Raises
    ------
    PathError
        If there is one of this name.
    """
    path = own_path(name, overwrite)
    packed = None if floor is None else floors.pack_floor(floor)
    preset = make(None if packed is None else hashlib.sha256(packed).hexdigest())
    old = read_limited(path, MOST_BYTES) if path.exists() else None
    if old is not None:
        parse_toml(old, str(path))
    _write(path, texts.write_preset(preset, reasons, old, title).encode(), packed)
    return path


def remove(name: str) -> list[Path]:
    """Remove one of one's own presets and its floor; return the files that are gone."""
    check_name(name)
    path = own_folder() / f"{name}.toml"
    if not path.exists() and not path.is_symlink():
        if name in names_in(shipped_folder()):
            raise PathError("comes with the program and stays", where=name)
        find_preset(name)  # says what there is
    gone = [file for file in (path, path.with_suffix(".npz")) if file.exists() or file.is_symlink()]
    for file in gone:
        file.unlink()
    return gone


def export(name: str, to: Path, overwrite: bool = False) -> Path:
    """Write a preset and its floor into one file that other machines import."""
    stored = open_preset(name)
    check_place(to, overwrite=overwrite)
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo(_TEXT), stored.path.read_bytes(), zipfile.ZIP_DEFLATED)
        if stored.floor is not None:
            archive.writestr(zipfile.ZipInfo(_FLOOR), stored.floor_path.read_bytes())
    with renamed_when_whole(to, overwrite=overwrite) as part:
        part.write_bytes(whole.getvalue())
    return to


def import_file(file: Path, name: str, overwrite: bool = False) -> Path:
    """Take a preset from outside into one's own: an exported file, or a text alone.

    It is looked at in full before anything is written; its text is kept as it is.

    Raises
    ------
    InputError
        If it is no preset or has faults.
    FitError
        If it is of a newer format, or its floor is missing or another one.
    """
    path = own_path(name, overwrite)
    data = read_limited(file, MOST_BYTES + floors.MOST_BYTES)
    text, packed = _members(data, file) if data[:2] == b"PK" else (data, _beside(file))
    if len(text) > MOST_BYTES:
        raise InputError("its text is larger than 1 MB, no preset is", where=str(file))
    preset = texts.parse_preset(text, str(file))
    if preset.passport is None:
        packed = None
    elif packed is None:
        raise FitError(
            "the floor that its passport tells of is missing",
            where=str(file),
            fix="Import the file that preset export wrote.",
        )
    else:
        checked_floor(preset, packed, str(file))
    _write(path, text, packed)
    return path


def _members(data: bytes, file: Path) -> tuple[bytes, bytes | None]:
    """Return text and floor of an exported preset; nothing else in it is looked at."""
    limits = {_TEXT: MOST_BYTES, _FLOOR: floors.MOST_BYTES}
    found = {}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for member, most in limits.items():
                if member in archive.namelist():
                    with archive.open(member) as opened:
                        found[member] = opened.read(most + 1)
                    if len(found[member]) > most:
                        raise InputError(f"{member} in it is too large", where=str(file))
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as error:
        raise InputError(f"cannot be unpacked ({error})", where=str(file)) from None
    except zlib.error as error:
        raise InputError(f"cannot be unpacked ({error})", where=str(file)) from None
    if _TEXT not in found:
        raise InputError("holds no preset.toml", where=str(file), fix="Was it exported?")
    return found[_TEXT], found.get(_FLOOR)


def _beside(file: Path) -> bytes | None:
    floor = file.with_suffix(".npz")
    return read_limited(floor, floors.MOST_BYTES) if floor.is_file() else None


def own_path(name: str, overwrite: bool) -> Path:
    """Return where a preset of one's own goes; refuse what cannot be or would overwrite."""
    path = own_folder() / f"{check_name(name)}.toml"
    if path.exists() and not overwrite:
        raise PathError(
            "there is a preset of this name",
            where=str(path),
            fix="Add --force to replace it (your comments stay), or choose another name.",
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PathError(
            f"the folder of the presets cannot be made ({error.strerror})", where=str(path.parent)
        ) from None
    return inside(path, path.parent)


def _write(path: Path, text: bytes, packed: bytes | None) -> None:
    """Write the floor first: a text is never there without the floor that it names."""
    beside = path.with_suffix(".npz")
    if packed is not None:
        inside(beside, path.parent)
        with renamed_when_whole(beside, overwrite=True) as part:
            part.write_bytes(packed)
    with renamed_when_whole(path, overwrite=True) as part:
        part.write_bytes(text)
    if packed is None and beside.exists():
        beside.unlink()
