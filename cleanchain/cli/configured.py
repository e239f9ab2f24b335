"""Settings from outside the command line: variables, a project file, the user's own file."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import click

from cleanchain.errors import SettingError
from cleanchain.presets.names import base_folder
from cleanchain.presets.reading import MOST_BYTES, parse_toml, read_limited

PROJECT_FILE, USER_FILE = "cleanchain.toml", "config.toml"
PREFIX = "CLEANCHAIN"
#: What a file never decides: where something is written or sent, what is replaced,
#: shown, or used though it does not fit.
NEVER = frozenset(
    (
        *("out", "out_dir", "also", "plot", "removed", "save", "cluster", "force", "fit", "resume"),
        *("dry_run", "as_json", "name", "help"),
    )
)


@dataclass(frozen=True)
class Setting:
    """A value, and who set it.

    Parameters
    ----------
    command, option : str
        Such as "clean" and "preset".
    value : object
        As it was written; a path is made absolute, from the folder of its file.
    origin : str
        The variable, or the file.
    """

    command: str
    option: str
    value: Any
    origin: str


def files() -> list[Path]:
    """Return the files that count, the strongest last: the user's own, then the project's."""
    found = [base_folder("config") / USER_FILE]
    here = Path.cwd()
    project = [folder / PROJECT_FILE for folder in (here, *here.parents)]
    found += [path for path in project if path.is_file()][:1]
    return [path for path in found if path.is_file()]


def from_files(commands: Mapping[str, click.Command]) -> list[Setting]:
    """Read what the files say about some commands, the strongest last.

    Parameters
    ----------
    commands : mapping of str to Command
        Only their tables are looked at.

    Raises
    ------
    SettingError
        If a file has faults in these tables; all of them are told.
    """
    settings: list[Setting] = []
    for path in files():
        data = parse_toml(read_limited(path, MOST_BYTES), str(path))
        faults: list[str] = []
        for name, command in commands.items():
            table = data.get(name, {})
            if not isinstance(table, dict):
                faults.append(f"{name}: is no table; write [{name}]")
                continue
            settings += _read_table(name, command, table, path, faults)
        if faults:
            count = f"{len(faults)} faults" if len(faults) > 1 else "a fault"
            raise SettingError("\n".join([f"has {count}:", *faults]), where=str(path))
    return settings


def unknown_tables(names: list[str]) -> list[str]:
    """Return words about tables of the files that belong to no command."""
    told = []
    for path in files():
        for table in parse_toml(read_limited(path, MOST_BYTES), str(path)):
            if table not in names:
                told.append(f"{path}: [{table}] {_suggest(table, names)}")
    return told


def from_variables(commands: Mapping[str, click.Command]) -> list[Setting]:
    """Return what variables of the environment say about some commands."""
    return [
        Setting(name, option, os.environ[variable], variable)
        for name, command in commands.items()
        for option in _options(command)
        if os.environ.get(variable := variable_of(name, option))
    ]


def unknown_variables(commands: Mapping[str, click.Command]) -> list[str]:
    """Return words about variables that look like settings and are none."""
    known = [variable_of(name, o) for name, command in commands.items() for o in _options(command)]
    names = [name.upper() for name in commands]
    return [
        f"{variable} {_suggest(variable, known)}"
        for variable in sorted(os.environ)
        if variable.startswith(f"{PREFIX}_")
        and variable not in known
        and get_close_matches(variable.split("_")[1], names, 1, 0.75)
    ]


def variable_of(command: str, option: str) -> str:
    """Return the name of the variable that sets an option."""
    return f"{PREFIX}_{command}_{option}".upper().replace("-", "_")


def default_map(settings: list[Setting]) -> dict[str, dict[str, Any]]:
    """Return settings as click takes them."""
    found: dict[str, dict[str, Any]] = {}
    for one in settings:
        found.setdefault(one.command, {})[one.option] = one.value
    return found


def _options(command: click.Command) -> Iterator[str]:
    return (o.name for o in command.params if isinstance(o, click.Option) and o.name)


def _read_table(
    name: str, command: click.Command, table: dict[str, Any], path: Path, faults: list[str]
) -> Iterator[Setting]:
    params = {p.name: p for p in command.params if isinstance(p, click.Option)}
    known = [option for option in params if option and option not in NEVER]
    for key, value in table.items():
        option, at = key.replace("-", "_"), f"{name}.{key}"
        if option in NEVER and option in params:
            faults.append(f"{at}: is said on the command line only")
        elif option not in known:
            if isinstance(value, dict) and key in getattr(command, "commands", {}):
                faults.append(f"{at}: settings of stages belong into a preset: cleanchain tune")
            else:
                faults.append(f"{at}: {_suggest(key, known)}")
        elif fault := _fault(params[option], value):
            faults.append(f"{at}: {fault}")
        else:
            yield Setting(name, option, _placed(params[option], value, path.parent), str(path))


def _fault(param: click.Option, value: Any) -> str:
    """Return what is wrong with a value, empty where nothing is."""
    if param.is_flag or isinstance(param.type, click.types.BoolParamType):
        return "" if isinstance(value, bool) else "write true or false"
    if isinstance(value, bool) or not isinstance(value, str | int | float) or param.nargs != 1:
        return "is not a value that this takes"
    try:
        param.type.convert(value, param, None)
    except (click.UsageError, SettingError) as error:
        return error.message if isinstance(error, click.UsageError) else error.what
    return ""


def _placed(param: click.Option, value: Any, folder: Path) -> Any:
    """Return a path as seen from the folder of its file."""
    is_path = isinstance(param.type, click.Path)
    if isinstance(value, str) and (
        is_path or (param.name == "silence" and (folder / value).is_file())
    ):
        return str(folder / value)
    return value


def _suggest(word: str, known: list[str]) -> str:
    near = get_close_matches(word[:80], known, 1)
    return f"is no setting; did you mean {near[0]}?" if near else "is no setting"
