"""What a preset may be called, and the folders that presets lie in."""

from __future__ import annotations

import os
import re
import unicodedata
from difflib import get_close_matches
from pathlib import Path

from cleanchain.errors import PathError, SettingError

#: Longest name of a preset.
MOST_CHARACTERS = 64
_SLUG = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
#: Names that some systems keep for devices.
_DEVICES = {"con", "prn", "aux", "nul"} | {
    f"{port}{n}" for port in ("com", "lpt") for n in range(10)
}
_SHIPPED = "shipped_presets"


def check_name(name: str) -> str:
    """Return a preset's name if it is one: small letters, digits and single hyphens.

    Raises
    ------
    SettingError
        If it is not; a name near to it is suggested.
    """
    if _SLUG.fullmatch(name) and len(name) <= MOST_CHARACTERS and name not in _DEVICES:
        return name
    near = slug_of(name)
    raise SettingError(
        f"{name!r} is not the name of a preset"
        + (" (some systems keep it for a device)" if name in _DEVICES else ""),
        fix=f"Use up to {MOST_CHARACTERS} of a-z, 0-9 and single hyphens"
        + (f", such as {near}." if near else ", such as bridge-disc."),
    )


def slug_of(text: str) -> str:
    """Return the nearest name that a preset may have; empty where nothing is left."""
    plain = unicodedata.normalize("NFKD", text[:200]).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:MOST_CHARACTERS].strip("-")
    return f"{slug}-preset" if slug in _DEVICES else slug


def base_folder(kind: str) -> Path:
    """Return this program's folder for "data" or "config".

    ``XDG_DATA_HOME`` and ``XDG_CONFIG_HOME`` count on every system; without them the system's
    own custom does.
    """
    stated = os.environ.get(f"XDG_{kind.upper()}_HOME", "")
    if stated and Path(stated).is_absolute():
        return Path(stated) / "cleanchain"
    from platformdirs import PlatformDirs

    folders = PlatformDirs("cleanchain", appauthor=False)
    return folders.user_data_path if kind == "data" else folders.user_config_path


def own_folder() -> Path:
    """Return the folder of the user's own presets; it need not exist."""
    return base_folder("data") / "presets"


def shipped_folder() -> Path:
    """Return the folder of the presets that come with the program."""
    inside = Path(__file__).parents[1] / _SHIPPED
    # Where the package is run from its sources they lie beside it.
    return inside if inside.is_dir() else Path(__file__).parents[2] / "presets"


def names_in(folder: Path) -> list[str]:
    """Return the names of all presets of a folder, in order."""
    try:
        found = [path.stem for path in folder.iterdir() if path.suffix == ".toml"]
    except OSError:
        return []
    return sorted(name for name in found if _SLUG.fullmatch(name))


def all_names() -> list[str]:
    """Return the names of all presets, one's own and those that come with the program."""
    return sorted({*names_in(own_folder()), *names_in(shipped_folder())})


def find_preset(name: str) -> Path:
    """Return the file of a preset; one's own comes before one that is shipped.

    Raises
    ------
    SettingError
        If the name is not one, or there is no such preset.
    PathError
        If its file lies elsewhere, behind a link.
    """
    check_name(name)
    for folder in (own_folder(), shipped_folder()):
        path = folder / f"{name}.toml"
        if path.exists():
            return inside(path, folder)
    known = all_names()
    near = get_close_matches(name, known, 1)
    raise SettingError(
        f"there is no preset {name!r}",
        fix=f"Did you mean {near[0]}?" if near else "See: cleanchain preset list.",
    )


def inside(path: Path, folder: Path) -> Path:
    """Return a path if it leads to a place in a folder, through whatever links."""
    if not path.resolve().is_relative_to(folder.resolve()):
        raise PathError(
            "leads out of the folder of the presets",
            where=str(path),
            fix="Put the file itself there: cleanchain preset import FILE.",
        )
    return path
