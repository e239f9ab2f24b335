"""Blocks of samples out of an open file, through the sound library."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.header import Payload
from cleanchain.errors import InputError

_ENDIAN = {"<": "LITTLE", ">": "BIG"}


def library_name(path: Path) -> str | bytes:
    """Return a file's name as the sound library takes it, also where it is no valid text."""
    return str(path) if os.name == "nt" else os.fsencode(path)


def open_file(path: Path) -> Any:
    """Open a file as the sound library sees it."""
    import soundfile

    try:
        return soundfile.SoundFile(library_name(path))
    except (soundfile.LibsndfileError, RuntimeError, OSError) as error:
        raise InputError(f"can no longer be opened ({short(error)})", where=str(path)) from None


@contextlib.contextmanager
def open_payload(
    path: Path, payload: Payload, subtype: str, rate_hz: int, channels: int
) -> Iterator[Any]:
    """Open the samples where they really lie, whatever the header says."""
    import soundfile

    try:
        window = _Window(path, payload.start, payload.size)
    except OSError as error:
        raise InputError(f"can no longer be opened ({short(error)})", where=str(path)) from None
    with (
        contextlib.closing(window),
        soundfile.SoundFile(
            window, "r", rate_hz, channels, subtype, _ENDIAN[payload.order], "RAW"
        ) as file,
    ):
        yield file


class _Window:
    """A stretch of a file, as a file of its own.

    Parameters
    ----------
    path : Path
        The file.
    start, size : int
        Offset and bytes of the stretch.
    """

    def __init__(self, path: Path, start: int, size: int) -> None:
        self._file = path.open("rb")
        self._start, self._size = start, size
        self.seek(0)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move to an offset inside the stretch."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self.tell(), os.SEEK_END: self._size}[whence]
        return self._file.seek(self._start + base + offset) - self._start

    def tell(self) -> int:
        """Return the offset inside the stretch."""
        return self._file.tell() - self._start

    def read(self, size: int = -1) -> bytes:
        """Return bytes up to the stretch's end."""
        left = max(self._size - self.tell(), 0)
        return self._file.read(left if size < 0 else min(size, left))

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def read_block(file: Any, count: int, dtype: str, path: Path) -> NDArray[Any]:
    """Return the next `count` frames, shape (frames, channels); fewer where the file ends.

    Raises
    ------
    InputError
        If they cannot be decoded; the time is named.
    """
    import soundfile

    at = file.tell()
    try:
        frames: NDArray[Any] = file.read(count, dtype=dtype, always_2d=True)
    except (soundfile.LibsndfileError, RuntimeError) as error:
        raise InputError(
            f"cannot be decoded near {at / file.samplerate:.1f} s ({short(error)})",
            where=str(path),
            fix="The file is damaged there; copy it again, or add --salvage to keep what is "
            "before the damage.",
        ) from None
    return np.ascontiguousarray(frames)


def short(error: Exception) -> str:
    """Return the last part of a library's message, without the path it repeats."""
    return str(error).rsplit(": ", 1)[-1].strip().rstrip(".") or type(error).__name__
