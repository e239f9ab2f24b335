"""Files of TOML read within limits, without anything heavy."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from cleanchain.errors import InputError

#: Largest text that is read, bytes.
MOST_BYTES = 1 << 20


def read_limited(path: Path, most: int) -> bytes:
    """Return a file's bytes, refusing more than fit in memory lightly, and what is no file."""
    if not path.is_file():
        what = "there is no such file" if not path.exists() else "is not a file"
        raise InputError(what, where=str(path))
    try:
        with path.open("rb") as file:
            data = file.read(most + 1)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=str(path)) from None
    if len(data) > most:
        raise InputError(f"is larger than {most >> 20} MB, which none of these is", where=str(path))
    return data


def parse_toml(data: bytes, where: str) -> dict[str, Any]:
    """Read TOML; whatever is wrong with it is one plain message.

    Raises
    ------
    InputError
        If it is not UTF-8, not TOML, or nested beyond any use.
    """
    try:
        return tomllib.loads(data.decode("utf-8").replace("\r\n", "\n"))
    except UnicodeDecodeError as error:
        what = f"is not UTF-8 text (byte {error.start + 1})"
    except RecursionError:
        what = "is nested too deeply"
    except ValueError as error:  # tomllib's own error is one
        what = f"is not TOML: {str(error)[:200]}"
    raise InputError(what, where=where, fix="Mend that line, or make the preset again.")
