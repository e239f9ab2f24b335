"""One channel of a source as a source of its own, held in memory where it is short."""

from __future__ import annotations

from dataclasses import dataclass

from cleanchain.audio.file_source import FileSource
from cleanchain.audio.source import Excerpt, Samples, Source, WholeView

#: A channel of at most so many frames is held in memory: 33 MB, 87 s at 48 kHz.
MOST_HELD_FRAMES = 1 << 22


@dataclass(frozen=True)
class OneChannel(WholeView):
    """One channel.

    Parameters
    ----------
    source : Source
        Where it is taken from.
    channel : int
        Counted from 0.
    name : str
        What messages call it.
    """

    source: Source
    channel: int
    name: str

    @property
    def channels(self) -> int:
        """Number of channels: one."""
        return 1

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (1, stop - start)."""
        return self.source.read(start, stop)[self.channel : self.channel + 1]


@dataclass(frozen=True, eq=False)
class Held(WholeView):
    """A source whose samples have been read once and for all.

    Parameters
    ----------
    source : Source
        Where they come from.
    samples : ndarray of shape (channels, frames)
        All of them; made read-only.
    name : str
        What messages call it.
    """

    source: Source
    samples: Samples
    name: str

    def __post_init__(self) -> None:
        self.samples.flags.writeable = False

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop as a read-only view."""
        return self.samples[:, start:stop]


def one_channel(source: Source, channel: int) -> Source:
    """Return one channel of a source, the source itself where it has no other."""
    return source if source.channels == 1 else OneChannel(source, channel, source.name)


def hold(source: Source, channel: int = 0) -> Source:
    """Return one channel of a source, read once where it is short, else block by block.

    Parameters
    ----------
    source : Source
        Read again and again by what measures it.
    channel : int, optional
        Counted from 0.
    """
    return held(one_channel(source, channel))


def held(source: Source) -> Source:
    """Return a source in memory where it is short, else the source itself."""
    if source.frames > MOST_HELD_FRAMES or isinstance(source, Held):
        return source
    return Held(source, source.read(0, source.frames), source.name)


def bits_of(source: Source) -> int | None:
    """Return the bits of the integer samples that a source is cut from, None where there are none.

    Parameters
    ----------
    source : Source
        A file, or stretches or channels of it.
    """
    while isinstance(source, (OneChannel, Held, Excerpt)):
        source = source.source
    return source.bits if isinstance(source, FileSource) else None
