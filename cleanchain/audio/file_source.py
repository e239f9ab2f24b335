"""A sound file as a source: read in blocks, as often as one likes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import check_finite
from cleanchain.audio.header import Payload
from cleanchain.audio.reading import open_file, open_payload, read_block, short
from cleanchain.audio.repair import Gap, fill
from cleanchain.audio.source import BLOCK_FRAMES, Samples
from cleanchain.errors import InputError

#: Containers that are read and written, with the endings of their files.
CONTAINERS = {
    "WAV": (".wav", ".wave"),
    "WAVEX": (".wav", ".wave"),
    "RF64": (".wav", ".wave", ".rf64"),
    "BW64": (".wav", ".wave", ".bw64"),
    "W64": (".w64",),
    "AIFF": (".aif", ".aiff", ".aifc"),
    "FLAC": (".flac",),
    "CAF": (".caf",),
}
#: Bits of the integer formats; None for floats.
SUBTYPE_BITS: dict[str, int | None] = {
    "PCM_S8": 8,
    "PCM_U8": 8,
    "PCM_16": 16,
    "PCM_24": 24,
    "PCM_32": 32,
    "FLOAT": None,
    "DOUBLE": None,
}
#: Float samples below this are zero to every use; as denormals they would slow the work down.
SMALLEST_SAMPLE = 1e-30


@dataclass(frozen=True)
class FileSource:
    """A sound file, read in blocks as often as one likes.

    Parameters
    ----------
    path : Path
        The file.
    container : str
        A key of `CONTAINERS`.
    subtype : str
        A key of `SUBTYPE_BITS`.
    rate_hz, channels, frames : int
        As was checked; in a salvaged file `frames` counts what is there.
    payload : Payload or None
        Where the samples lie, in a container made of chunks.
    by_payload : bool
        Read there, and not where the sound library looks.
    stamp : tuple of int
        Size, time of change and identity of the file when it was opened.
    gaps : tuple of Gap
        Stretches that are not numbers, bridged in reading.
    notices : tuple of str
        What is wrong with the file and was put up with.
    """

    path: Path
    container: str
    subtype: str
    rate_hz: int
    channels: int
    frames: int
    payload: Payload | None = None
    by_payload: bool = False
    stamp: tuple[int, ...] = ()
    gaps: tuple[Gap, ...] = ()
    notices: tuple[str, ...] = ()
    joins: ClassVar[tuple[int, ...]] = ()

    @property
    def name(self) -> str:
        """The file's name, for messages."""
        return str(self.path)

    @property
    def bits(self) -> int | None:
        """Bits a sample, None for floats."""
        return SUBTYPE_BITS[self.subtype]

    @property
    def frame_bytes(self) -> int:
        """Bytes of a frame that is not compressed."""
        return self.channels * ((self.bits or (32 if self.subtype == "FLOAT" else 64)) // 8)

    @property
    def dtype(self) -> str:
        """Type that holds the samples of this subtype without rounding."""
        if self.bits is not None:
            return "int32"
        return "float32" if self.subtype == "FLOAT" else "float64"

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """Yield all frames in order, `block_frames` at a time, the last block shorter."""
        start = 0
        for block in self.stored_blocks(block_frames, "float64"):
            yield self._usable(block, start)
            start += block.shape[0]

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (channels, stop - start)."""
        with self._open() as file:
            file.seek(start)
            block = read_block(file, stop - start, "float64", self.path)
            self._check_count(block, start, stop - start)
        return self._usable(block, start)

    def stored_blocks(
        self, block_frames: int = BLOCK_FRAMES, dtype: str = ""
    ) -> Iterator[NDArray[Any]]:
        """Yield the samples as they are stored, shape (frames, channels).

        Parameters
        ----------
        block_frames : int, optional
            Frames a block.
        dtype : str, optional
            `dtype` where left out: integers stand at the top of 32 bits.
        """
        with self._open() as file:
            for start in range(0, self.frames, block_frames):
                count = min(block_frames, self.frames - start)
                block = read_block(file, count, dtype or self.dtype, self.path)
                self._check_count(block, start, count)
                yield block
        self._check_unchanged()

    def _open(self) -> Any:
        self._check_unchanged()
        if self.by_payload and self.payload is not None:
            return open_payload(self.path, self.payload, self.subtype, self.rate_hz, self.channels)
        return open_file(self.path)

    def _usable(self, block: NDArray[Any], start: int) -> Samples:
        samples = np.ascontiguousarray(block.T)
        if self.bits is not None:
            return samples
        fill(samples, start, self.gaps)
        check_finite(samples, self.rate_hz, self.name, start)
        samples[np.abs(samples) < SMALLEST_SAMPLE] = 0.0
        return samples

    def _check_count(self, block: NDArray[Any], start: int, count: int) -> None:
        if block.shape[0] != count:
            raise InputError(
                f"ends at frame {start + block.shape[0]}, but its header promises {self.frames}",
                where=self.name,
                fix="Copy it again, or add --salvage to work on what is there.",
            )

    def _check_unchanged(self) -> None:
        if self.stamp and stamp_of(self.path) != self.stamp:
            raise InputError(
                "was changed while it was being read",
                where=self.name,
                fix="Wait until whatever writes it has finished, then start again.",
            )


def stamp_of(path: Path) -> tuple[int, ...]:
    """Return what changes when a file is written to: size, time of change, identity."""
    try:
        now = path.stat()
    except OSError as error:
        raise InputError(f"can no longer be opened ({short(error)})", where=str(path)) from None
    return now.st_size, now.st_mtime_ns, now.st_dev, now.st_ino
