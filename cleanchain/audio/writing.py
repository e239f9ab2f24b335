"""Writing a take: checked before the work, verified after it, all or nothing."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

import cleanchain
from cleanchain.audio.atomic import check_place, disk_error, renamed_when_whole
from cleanchain.audio.carrying import build_frame, emit
from cleanchain.audio.file_source import CONTAINERS, FileSource
from cleanchain.audio.files import open_source
from cleanchain.audio.flac_blocks import with_metadata_of
from cleanchain.audio.hashing import SampleHash, hash_samples, seed_of
from cleanchain.audio.packing import pack
from cleanchain.audio.rounding import Rounder
from cleanchain.audio.source import Samples, Source
from cleanchain.errors import InputError, OutputError, PathError

__all__ = ["as_written", "check_output", "check_place", "renamed_when_whole", "write_source"]

#: Turns a block of (channels, frames) into what is stored, (frames, channels).
Store = Callable[[Samples], NDArray[Any]]


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
    OutputError
        If the disk has no room for it.
    """
    endings = CONTAINERS[like.container]
    if path.suffix.lower() not in endings:
        raise PathError(
            f"ends in {path.suffix or 'nothing'!r}, but a {like.container} take stays one",
            where=str(path),
            fix=f"End the name in {endings[0]}.",
        )
    check_place(path, overwrite=overwrite, protect=(like.path, *protect))
    needed, free = like.stamp[0] if like.stamp else 0, shutil.disk_usage(path.parent).free
    if needed > free:
        raise OutputError(
            f"needs {needed / 1e6:.3g} MB, but only {free / 1e6:.3g} MB are free",
            where=str(path),
            fix="Make room or write to another disk with --out.",
        )


def write_source(
    path: Path,
    source: Source,
    like: FileSource,
    *,
    overwrite: bool = False,
    exact: bool = False,
    protect: Sequence[Path] = (),
    history: str = "",
    allow_clip: bool = False,
    progress: Callable[[int], None] | None = None,
) -> str:
    """Write a source in the format of a take, with everything else that the take's file holds.

    The file is written under a temporary name in the same folder, decoded again, compared with
    what was meant, flushed to the disk, and only then given its name.

    Parameters
    ----------
    path : Path
        Where it goes; see `check_output`.
    source : Source
        What is written; it has the rate, channels and frames of `like`.
    like : FileSource
        Gives container, subtype and chunks, and the seed of the dither.
    overwrite : bool, optional
        Whether an existing file may be replaced.
    exact : bool, optional
        Copy the samples bit for bit: the source holds samples of this subtype, unchanged.
    protect : sequence of Path, optional
        Files that are never replaced.
    history : str, optional
        What was done, for the coding history of a broadcast WAV.
    allow_clip : bool, optional
        Clip what passes full scale instead of refusing it.
    progress : callable, optional
        Told the frames written so far, after each block.

    Returns
    -------
    str
        The hash of the samples; see `cleanchain.audio.hashing`.

    Raises
    ------
    PathError
        See `check_output`.
    OutputError
        If the disk is full, the result would clip, or what was written does not read back.
    """
    check_output(path, like, overwrite=overwrite, protect=protect)
    _check_shape(source, like)
    told = progress or (lambda _: None)
    try:
        with renamed_when_whole(path, overwrite=overwrite) as part:
            if exact and source is like and not like.notices:
                meant = _copy(part, like)
            elif like.payload is not None:
                line = None if exact else _history_line(like, history)
                meant = _write_chunks(
                    part, source, like, _store(like, exact, allow_clip), line, told
                )
            else:
                meant = _write_flac(part, source, like, _store(like, exact, allow_clip), told)
            _verify(part, meant, like)
    except OSError as error:
        raise disk_error(error, path) from None
    return meant


def as_written(
    source: Source, like: FileSource, *, exact: bool = False, allow_clip: bool = False
) -> Iterator[NDArray[Any]]:
    """Yield the samples that `write_source` would write, shape (frames, channels); write nothing.

    Parameters
    ----------
    source, like, exact, allow_clip
        See `write_source`.
    """
    _check_shape(source, like)
    store = _store(like, exact, allow_clip)
    for block in source.blocks():
        yield store(block)


def _check_shape(source: Source, like: FileSource) -> None:
    here = (source.rate_hz, source.channels, source.frames)
    wanted = (like.rate_hz, like.channels, like.frames)
    if here != wanted:
        raise OutputError(
            f"(rate, channels, frames) are {here}, but those of the take {wanted}",
            where=source.name,
        )


def _copy(part: Path, like: FileSource) -> str:
    """Copy the whole file; its samples are those that are wanted."""
    with like.path.open("rb") as old, part.open("wb") as new:
        shutil.copyfileobj(old, new, 1 << 20)
    return hash_samples(like)


def _write_chunks(
    part: Path,
    source: Source,
    like: FileSource,
    store: Store,
    history: str | None,
    told: Callable[[int], None],
) -> str:
    """Write a container of chunks around new samples."""
    payload = like.payload
    assert payload is not None
    hashed, done = SampleHash(), 0
    with like.path.open("rb") as old, part.open("wb") as new:
        frame = build_frame(old, payload, like.frames, like.frames * like.frame_bytes, history)
        for some in emit(old, frame.before):
            new.write(some)
        for block in source.blocks():
            stored = store(block)
            new.write(pack(stored, like.subtype, payload.order))
            hashed.update(stored)
            done += stored.shape[0]
            told(done)
        for some in emit(old, frame.after):
            new.write(some)
    return hashed.text()


def _write_flac(
    part: Path, source: Source, like: FileSource, store: Store, told: Callable[[int], None]
) -> str:
    """Let the library compress to a file without a name, then add the take's metadata."""
    import soundfile

    hashed, done = SampleHash(), 0
    with tempfile.TemporaryFile(dir=part.parent) as written:
        try:
            with soundfile.SoundFile(
                written.fileno(), "w", like.rate_hz, like.channels, like.subtype,
                format=like.container, closefd=False,
            ) as file:  # fmt: skip
                for block in source.blocks():
                    stored = store(block)
                    file.write(stored)
                    hashed.update(stored)
                    done += stored.shape[0]
                    told(done)
        except (soundfile.LibsndfileError, AssertionError) as error:
            raise _library_error(written, part, error) from None
        with like.path.open("rb") as old, part.open("wb") as new:
            for some in with_metadata_of(old, written):
                new.write(some)
    return hashed.text()


def _store(like: FileSource, exact: bool, allow_clip: bool) -> Store:
    if like.bits is None:
        dtype = like.dtype
        return lambda block: np.ascontiguousarray(block.T.astype(dtype))
    if exact:
        scale = 2.0**31
        return lambda block: np.ascontiguousarray((block.T * scale).astype(np.int32))
    rounder = Rounder(like.bits, seed_of(like), like.rate_hz, like.name, allow_clip)
    return lambda block: np.ascontiguousarray(rounder(block).T)


def _history_line(like: FileSource, done: str) -> str:
    """Return a line of coding history (EBU R 98)."""
    mode = {1: ",M=mono", 2: ",M=stereo"}.get(like.channels, "")
    words = f"cleanchain {cleanchain.__version__} {done}".strip().replace(",", ";")
    bits = like.frame_bytes * 8 // like.channels
    return f"A=PCM,F={like.rate_hz},W={bits}{mode},T={words}"


def _verify(part: Path, meant: str, like: FileSource) -> None:
    """Open what was written as a stranger would, decode all of it, and compare."""
    fault = ""
    try:
        written = open_source(part)
        if written.frames != like.frames:
            fault = f"{written.frames} of {like.frames} frames"
        elif (written.subtype, written.rate_hz, written.channels) != (
            like.subtype, like.rate_hz, like.channels,
        ):  # fmt: skip
            fault = f"{written.subtype}, {written.rate_hz} Hz, {written.channels} channel(s)"
        elif hash_samples(written) != meant:
            fault = "other samples"
    except InputError as error:
        fault = error.what
    if fault:
        raise OutputError(
            f"what was written does not read back ({fault})",
            where=str(part.parent),
            fix="Check the disk; nothing was kept.",
        )


def _library_error(written: IO[bytes], part: Path, error: Exception) -> Exception:
    """Return the true cause of a failed write: the library only says that the system failed."""
    try:
        written.seek(0, os.SEEK_END)
        written.write(b"\0" * (1 << 16))
        written.flush()
        os.fsync(written.fileno())
    except OSError as cause:
        return cause
    return OutputError(f"could not be written ({error})", where=str(part.parent))
