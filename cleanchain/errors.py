"""Errors that say what went wrong, where, why, and what to type next.

The library raises these; the command line turns them into one message and an exit code.
"""

from __future__ import annotations

from typing import ClassVar


class CleanchainError(Exception):
    """Base of every error this package raises on purpose.

    Parameters
    ----------
    what : str
        What went wrong, with the value that was found.
    where : str, optional
        File, channel or time the fault belongs to.
    fix : str, optional
        What to do or to type next.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, where: str = "", fix: str = "") -> None:
        self.what = what
        self.where = where
        self.fix = fix
        super().__init__(str(self))

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}\n{self.fix}" if self.fix else text


class SettingError(CleanchainError):
    """A setting or an option value is not usable (exit code 2)."""

    exit_code = 2


class InputError(CleanchainError):
    """A file or capture cannot be read or cannot serve its purpose (exit code 3)."""

    exit_code = 3


class FitError(CleanchainError):
    """Two things do not belong together: rate, channels, preset and take (exit code 4)."""

    exit_code = 4


class PathError(CleanchainError):
    """Writing here would overwrite something or is unsafe (exit code 5)."""

    exit_code = 5


class OutputError(CleanchainError):
    """The output could not be written or failed its verification (exit code 6)."""

    exit_code = 6


class LimitError(CleanchainError):
    """A limit that the user set cannot be met (exit code 7)."""

    exit_code = 7
