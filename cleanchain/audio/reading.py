"""Blocks of samples out of an open file, through the sound library."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.header import Payload
from cleanchain.errors import InputError

_ENDIAN = {"<": "LITTLE", ">": "BIG"}


def open_file(path: Path) -> Any:
    """Open a file as the sound library sees it."""
    import soundfile

    try:
        return soundfile.SoundFile(str(path))
    except (soundfile.LibsndfileError, RuntimeError, OSError) as error:
        raise InputError(f"can no longer be opened ({short(error)})", where=str(path)) from None


def open_payload(path: Path, payload: Payload, subtype: str, rate_hz: int, channels: int) -> Any:
    """Open the samples where they really lie, whatever the header says."""
    import soundfile

    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    except OSError as error:
        raise InputError(f"can no longer be opened ({short(error)})", where=str(path)) from None
    os.lseek(handle, payload.start, os.SEEK_SET)
    return soundfile.SoundFile(
        handle, "r", rate_hz, channels, subtype, _ENDIAN[payload.order], "RAW", closefd=True
    )


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
