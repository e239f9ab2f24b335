"""Bytes that are written once and read again and again: in memory while they are few."""

from __future__ import annotations

import os
import tempfile

from cleanchain.errors import OutputError


class Scratch:
    """Bytes in memory or, beyond some of them, in an unnamed temporary file.

    The file goes with the object, or with the process, however that ends.

    Parameters
    ----------
    memory_bytes : int
        What is held in memory.
    total_bytes : int
        How many there will be: what a message says when the disk is full.
    """

    def __init__(self, memory_bytes: int, total_bytes: int) -> None:
        self._total_bytes = total_bytes
        # The file lives as long as this object does, so no with-block can hold it.
        self._file = tempfile.SpooledTemporaryFile(max_size=memory_bytes)  # noqa: SIM115
        if total_bytes > memory_bytes:
            self._file.rollover()  # rather than to copy them later

    def append(self, data: bytes) -> None:
        """Write bytes after those that are there.

        Raises
        ------
        OutputError
            If the disk is full.
        """
        self._file.seek(0, os.SEEK_END)
        try:
            self._file.write(data)
        except OSError as error:
            raise OutputError(
                f"the folder for temporary files is full ({error.strerror})",
                where=tempfile.gettempdir(),
                fix=f"Make room there, {1e-9 * self._total_bytes:.2g} GB a stage, or set TMPDIR to "
                "a folder on another disk.",
            ) from None

    def read(self, start: int, size: int) -> bytes:
        """Return so many bytes from a first one on, as far as they are there."""
        self._file.seek(start)
        return self._file.read(size)

    def close(self) -> None:
        """Let go of the bytes."""
        self._file.close()

    def __del__(self) -> None:
        self.close()
