"""One channel of a source as a source of its own."""

from __future__ import annotations

from dataclasses import dataclass

from cleanchain.audio.source import Samples, Source, WholeView


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


def one_channel(source: Source, channel: int) -> Source:
    """Return one channel of a source, the source itself where it has no other."""
    return source if source.channels == 1 else OneChannel(source, channel, source.name)


def split_channels(source: Source) -> list[Source]:
    """Return every channel of a source as a source of its own."""
    return [
        OneChannel(source, channel, f"{source.name}, channel {channel + 1}")
        for channel in range(source.channels)
    ]
