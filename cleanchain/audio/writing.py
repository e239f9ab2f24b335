"""Writing a take: checked before the work, verified after it, all or nothing."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from cleanchain.audio.files import CONTAINERS, FileSource
from cleanchain.audio.rounding import Rounder
from cleanchain.audio.source import Source
from cleanchain.errors import OutputError, PathError

#: A plain WAV holds less than this; beyond it the output becomes RF64.
LARGEST_WAV_BYTES = (1 << 32) - (1 << 20)


def check_output(
    path: Path, like: FileSource, *, overwrite: bool, protect: Sequence[Path] = ()
) -> None:
    """Refuse an output path before any work is done.

    Parameters
    ----------
    path : Path
        Where the output is to go.
    like : FileSource
        The take whose container the output keeps.
    overwrite : bool
        Whether an existing file may be replaced.
    protect : sequence of Path
        Files that are never replaced, under whatever name: the take itself, its silence.

    Raises
    ------
    PathError
        If the path is one of the protected files, exists, or lies in no writable folder.
    """
    endings = CONTAINERS[like.container]
    if path.suffix.lower() not in endings:
        raise PathError(
            f"ends in {path.suffix or 'nothing'!r}, but a {like.container} take stays one",
            where=str(path),
            fix=f"End the name in {endings[0]}.",
        )
    check_place(path, overwrite=overwrite, protect=(like.path, *protect))


def check_place(path: Path, *, overwrite: bool, protect: Sequence[Path] = ()) -> None:
    """Refuse a path that would overwrite something or cannot be written; see `check_output`."""
    for kept in protect:
        if _same(path, kept):
            raise PathError(
                f"is the input {kept}; it is never overwritten",
                where=str(path),
                fix="Give another name with --out.",
            )
    if path.is_dir():
        raise PathError("is a folder", where=str(path), fix="Name a file in it.")
    if path.exists() and not overwrite:
        raise PathError(
            "already exists", where=str(path), fix="Add --force to replace it, or name another."
        )
    folder = path.parent
    if not folder.is_dir():
        raise PathError("the folder does not exist", where=str(folder), fix="Make it first.")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise PathError("the folder cannot be written to", where=str(folder))


def _same(one: Path, other: Path) -> bool:
    try:
        if one.samefile(other):
            return True
    except OSError:
        pass
    return os.path.realpath(one) == os.path.realpath(other)


def write_source(
    path: Path,
    source: Source,
    like: FileSource,
    *,
    overwrite: bool = False,
    exact: bool = False,
    protect: Sequence[Path] = (),
) -> None:
    """Write a source in the format of a take.

    The file is written under a temporary name in the same folder, decoded again, compared with
    what was meant, flushed to the disk, and only then given its name.

    Parameters
    ----------
    path : Path
        Where it goes; see `check_output`.
    source : Source
        What is written; it has the rate, channels and frames of `like`.
    like : FileSource
        Gives container and subtype, and the seed of the dither.
    overwrite : bool, optional
        Whether an existing file may be replaced.
    exact : bool, optional
        Copy the samples bit for bit: the source is a file of the same subtype, unchanged.
    protect : sequence of Path, optional
        Files that are never replaced.

    Raises
    ------
    PathError
        See `check_output`.
    OutputError
        If the disk is full, the result would clip, or what was written does not read back.
    """
    check_output(path, like, overwrite=overwrite, protect=protect)
    try:
        with renamed_when_whole(path) as part:
            meant = _write(part, source, like, exact)
            _verify(part, meant, like)
    except OSError as error:
        raise _disk_error(error, path) from None


@contextlib.contextmanager
def renamed_when_whole(path: Path) -> Iterator[Path]:
    """Give a temporary file in the same folder, which gets its name only if nothing goes wrong.

    Parameters
    ----------
    path : Path
        The name it gets, through links if it is one.
    """
    target = Path(os.path.realpath(path))
    handle, name = tempfile.mkstemp(
        prefix=f".{target.stem[:40]}.", suffix=".part", dir=target.parent
    )
    os.close(handle)
    part = Path(name)
    try:
        yield part
        _flush(part)
        part.chmod(_mode(target))
        part.replace(target)
        _flush(target.parent)
    finally:
        with contextlib.suppress(FileNotFoundError):
            part.unlink()


def _write(part: Path, source: Source, like: FileSource, exact: bool) -> bytes:
    """Write all samples and return the digest of what the file must decode to."""
    import soundfile

    digest = hashlib.blake2b()
    make = _exact(like) if exact else _rounded(like)
    try:
        with soundfile.SoundFile(
            str(part), "w", like.rate_hz, like.channels, like.subtype, format=_container(like)
        ) as file:
            for block in source.blocks():
                data = make(block)
                file.write(data)
                digest.update(data)
    except soundfile.LibsndfileError as error:
        raise _library_error(part, error) from None
    return digest.digest()


def _rounded(like: FileSource) -> Any:
    """Return what turns a block into the array that is written, (frames, channels)."""
    if like.bits is None:
        dtype = np.float32 if like.subtype == "FLOAT" else np.float64
        return lambda block: np.ascontiguousarray(block.T.astype(dtype))
    rounder = Rounder(like.bits, _seed(like), like.rate_hz, like.name)
    return lambda block: np.ascontiguousarray(rounder(block).T)


def _exact(like: FileSource) -> Any:
    if like.bits is None:
        return _rounded(like)
    scale = 2.0**31
    return lambda block: np.ascontiguousarray((block.T * scale).astype(np.int32))


def _seed(like: FileSource) -> int:
    """Return a seed that depends on the take's samples only."""
    first = next(iter(like.blocks()), np.zeros((1, 0)))
    digest = hashlib.blake2b(np.ascontiguousarray(first.T), digest_size=8)
    digest.update(f"{like.frames} {like.channels} {like.rate_hz}".encode())
    return int.from_bytes(digest.digest(), "little")


def _container(like: FileSource) -> str:
    size = like.frames * like.channels * (like.bits or (32 if like.subtype == "FLOAT" else 64)) // 8
    plain = like.container in ("WAV", "WAVEX")
    return "RF64" if plain and size > LARGEST_WAV_BYTES else like.container


def _verify(part: Path, meant: bytes, like: FileSource) -> None:
    import soundfile

    dtype = (
        "int32" if like.bits is not None else "float32" if like.subtype == "FLOAT" else "float64"
    )
    digest = hashlib.blake2b()
    frames = 0
    with soundfile.SoundFile(str(part)) as file:
        while (block := file.read(1 << 16, dtype=dtype, always_2d=True)).size:
            digest.update(np.ascontiguousarray(block))
            frames += block.shape[0]
    if frames != like.frames or digest.digest() != meant:
        raise OutputError(
            f"what was written does not read back ({frames} of {like.frames} frames)",
            where=str(part.parent),
            fix="Check the disk; nothing was kept.",
        )


def _library_error(part: Path, error: Exception) -> Exception:
    """Return the true cause of a failed write: the library only says that the system failed."""
    try:
        with part.open("ab") as file:
            file.write(b"\0" * (1 << 16))
            file.flush()
            os.fsync(file.fileno())
    except OSError as cause:
        return cause
    return OutputError(f"could not be written ({error})", where=str(part.parent))


def _disk_error(error: OSError, path: Path) -> OutputError:
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return OutputError(
            f"the disk is full ({error.strerror}); nothing was kept",
            where=str(path),
            fix="Make room or write to another disk with --out.",
        )
    return OutputError(f"could not be written ({error.strerror or error})", where=str(path))


def _flush(path: Path) -> None:
    """Bring a file or folder to the disk, where the system lets us."""
    flags = os.O_RDONLY
    with contextlib.suppress(OSError):
        handle = os.open(path, flags)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _mode(target: Path) -> int:
    """Return the mode of the file that is replaced, or that of a new file."""
    if target.exists():
        return target.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
