"""A file that has its name only when it is whole."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import unicodedata
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from cleanchain.errors import OutputError, PathError

try:
    import fcntl
except ImportError:  # a system without these locks
    fcntl = None  # type: ignore[assignment]


def check_place(path: Path, *, overwrite: bool, protect: Sequence[Path] = ()) -> None:
    """Refuse a path that would overwrite something or cannot be written, before any work is done.

    Parameters
    ----------
    path : Path
        Where something is to go.
    overwrite : bool
        Whether an existing file may be replaced.
    protect : sequence of Path
        Files that are never replaced, under whatever name.

    Raises
    ------
    PathError
        If the path is one of the protected files, exists, or lies in no writable folder.
    """
    for kept in protect:
        if _same(path, kept):
            raise PathError(
                f"is the input {kept}; it is never overwritten",
                where=str(path),
                fix="Give another name with --out.",
            )
        if _twins(path, kept):
            raise PathError(
                f"differs from the input {kept} only in capitals or accents, and would be the same "
                "file on many disks",
                where=str(path),
                fix="Give another name with --out.",
            )
    try:
        _check_target(path, overwrite)
    except OSError as error:  # a name that is too long, a loop of links
        raise PathError(f"cannot be written ({error.strerror})", where=str(path)) from None


def _check_target(path: Path, overwrite: bool) -> None:
    if path.is_dir():
        raise PathError("is a folder", where=str(path), fix="Name a file in it.")
    if path.exists() and not path.is_file():
        raise PathError("is not a regular file", where=str(path), fix="Name another.")
    if path.exists() and not overwrite:
        raise PathError(
            "already exists", where=str(path), fix="Add --force to replace it, or name another."
        )
    target = Path(os.path.realpath(path))
    folder = target.parent
    if folder.exists() and not folder.is_dir():
        raise PathError("is not a folder", where=str(folder), fix="Name a file in a folder.")
    if not folder.is_dir():
        raise PathError("the folder does not exist", where=str(folder), fix="Make it first.")
    with contextlib.suppress(FileNotFoundError):
        target.stat()
    try:
        with _part_of(target):
            pass
    except OSError as error:
        raise PathError(
            f"the folder cannot be written to ({error.strerror})",
            where=str(folder),
            fix="Name another folder with --out.",
        ) from None


def _same(one: Path, other: Path) -> bool:
    with contextlib.suppress(OSError):
        if one.samefile(other):
            return True
    return os.path.realpath(one) == os.path.realpath(other)


def _twins(one: Path, other: Path) -> bool:
    def folded(path: Path) -> str:
        return unicodedata.normalize("NFC", os.path.realpath(path)).casefold()

    return folded(one) == folded(other)


def _prefix(target: Path) -> str:
    return f".{target.stem[:20]}.{zlib.crc32(os.fsencode(target.name)):08x}."


@contextlib.contextmanager
def _part_of(target: Path) -> Iterator[Path]:
    """Make a locked file beside a target, which is gone again whatever happens.

    Its name is chosen before there is a file, so that Ctrl-C leaves none at any moment.
    """
    part = target.parent / f"{_prefix(target)}{secrets.token_hex(8)}.part"
    handle = None
    try:
        handle = os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        if fcntl is None:
            os.close(handle)  # such a system does not rename what is open
            handle = None
        else:
            _lock(handle)
        yield part
    finally:
        if handle is not None:
            os.close(handle)
        part.unlink(missing_ok=True)


@contextlib.contextmanager
def renamed_when_whole(path: Path, *, overwrite: bool = True) -> Iterator[Path]:
    """Give a temporary file in the same folder, which gets its name only if nothing goes wrong.

    What an earlier run that was killed left behind for this name is removed; while another run is
    writing this name, it is refused.

    Parameters
    ----------
    path : Path
        The name it gets, through links if it is one.
    overwrite : bool, optional
        Whether a file that has appeared under that name meanwhile is replaced.
    """
    target = Path(os.path.realpath(path))
    with _part_of(target) as part:
        _clear_debris(target, part)
        yield part
        flush(part)
        part.chmod(_mode(target))
        _name(part, target, overwrite)
        flush(target.parent)


def _lock(handle: int) -> bool:
    """Lock an open file for as long as this process has it open; False where another has it."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES)
    return True


def _clear_debris(target: Path, own: Path) -> None:
    prefix = _prefix(target)
    for other in target.parent.iterdir():
        if other == own or not (other.name.startswith(prefix) and other.suffix == ".part"):
            continue
        try:
            handle = os.open(other, os.O_RDWR)
        except OSError:
            continue
        try:
            if fcntl is None or not _lock(handle):
                raise PathError(
                    "another run is writing this file",
                    where=str(target),
                    fix=f"Wait for it; if there is none, delete {other}.",
                )
            other.unlink(missing_ok=True)
        finally:
            os.close(handle)


def clear_debris(paths: Sequence[Path]) -> None:
    """Remove what runs that were killed left behind for these names; leave what is being written.

    Parameters
    ----------
    paths : sequence of Path
        The names, all in one folder.
    """
    if fcntl is None or not paths:
        return  # such a system does not tell what is being written
    targets = [Path(os.path.realpath(path)) for path in paths]
    prefixes = tuple(_prefix(target) for target in targets)
    with contextlib.suppress(OSError):
        for other in targets[0].parent.iterdir():
            if not (other.name.startswith(prefixes) and other.suffix == ".part"):
                continue
            with contextlib.suppress(OSError):
                handle = os.open(other, os.O_RDWR)
                try:
                    if _lock(handle):
                        other.unlink(missing_ok=True)
                finally:
                    os.close(handle)


def _name(part: Path, target: Path, overwrite: bool) -> None:
    if not overwrite:
        # Unlike a rename, a link never replaces what has appeared there meanwhile.
        try:
            os.link(part, target)
        except FileExistsError:
            raise PathError(
                "has appeared while this was working",
                where=str(target),
                fix="Add --force to replace it, or name another.",
            ) from None
        except OSError:
            pass  # a disk without hard links
        else:
            return
    part.replace(target)


def disk_error(error: OSError, path: Path) -> OutputError:
    """Return what a failed write means to the user."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return OutputError(
            f"the disk is full ({error.strerror}); nothing was kept",
            where=str(path),
            fix="Make room or write to another disk with --out.",
        )
    return OutputError(f"could not be written ({error.strerror or error})", where=str(path))


def flush(path: Path) -> None:
    """Bring a file or folder to the disk, where the system lets us."""
    with contextlib.suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
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
