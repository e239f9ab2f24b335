"""Anything that can be read in blocks, again and again, without being held in memory."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

#: Frames a block holds where nobody asks for another size.
BLOCK_FRAMES = 65_536


@runtime_checkable
class Source(Protocol):
    """Audio of known length that is read in blocks, as often as one likes.

    Samples are float64 of shape (channels, frames) with full scale at 1.
    """

    @property
    def name(self) -> str:
        """What messages call it, a file's name for instance."""

    @property
    def rate_hz(self) -> int:
        """Sampling rate in Hz."""

    @property
    def channels(self) -> int:
        """Number of channels."""

    @property
    def frames(self) -> int:
        """Number of frames."""

    @property
    def joins(self) -> Sequence[int]:
        """Frames at which it begins anew, if it is known to be joined from stretches."""

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """Yield all frames in order, `block_frames` at a time, the last block shorter."""

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (channels, stop - start)."""


class ReadableByRange:
    """Gives a source its `blocks` from its `read`; unless it says so it is of one piece."""

    frames: int
    joins: Sequence[int] = ()

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (channels, stop - start)."""
        raise NotImplementedError

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """Yield all frames in order, `block_frames` at a time, the last block shorter."""
        for start in range(0, self.frames, block_frames):
            yield self.read(start, min(start + block_frames, self.frames))


class View(ReadableByRange):
    """A source seen in another way, at its rate and with its channels unless the view differs."""

    source: Source

    @property
    def rate_hz(self) -> int:
        """Sampling rate in Hz."""
        return self.source.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self.source.channels


class WholeView(View):
    """A view of the source's length."""

    @property
    def frames(self) -> int:  # type: ignore[override]
        """Number of frames."""
        return self.source.frames

    @property
    def joins(self) -> Sequence[int]:  # type: ignore[override]
        """Frames at which it begins anew."""
        return self.source.joins


@dataclass(frozen=True)
class Excerpt(View):
    """Stretches of a source, one after the other.

    Parameters
    ----------
    source : Source
        Where the stretches lie.
    ranges : sequence of (int, int)
        First frame and the frame after the last of each stretch.
    name : str
        What messages call it.
    """

    source: Source
    ranges: Sequence[tuple[int, int]]
    name: str

    @property
    def frames(self) -> int:  # type: ignore[override]
        """Number of frames of all stretches together."""
        return sum(stop - start for start, stop in self.ranges)

    @property
    def joins(self) -> Sequence[int]:  # type: ignore[override]
        """Frames at which the second stretch and the later ones begin."""
        lengths = [stop - start for start, stop in self.ranges]
        return list(itertools.accumulate(lengths))[:-1]

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop of the joined stretches."""
        parts = [np.empty((self.channels, 0))]
        offset = 0
        for first, last in self.ranges:
            low, high = max(start - offset, 0), min(stop - offset, last - first)
            if low < high:
                parts.append(self.source.read(first + low, first + high))
            offset += last - first
        return np.concatenate(parts, axis=1)


def read_all(source: Source) -> Samples:
    """Return every frame of a source, shape (channels, frames)."""
    return source.read(0, source.frames)
