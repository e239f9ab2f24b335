"""One source less another: what was taken out."""

from __future__ import annotations

from dataclasses import dataclass

from cleanchain.audio.source import Samples, Source, WholeView


@dataclass(frozen=True)
class Difference(WholeView):
    """Frame by frame difference of two sources of the same shape.

    Parameters
    ----------
    source, subtrahend : Source
        The second is taken from the first.
    name : str
        What messages call it.
    """

    source: Source
    subtrahend: Source
    name: str

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (channels, stop - start)."""
        return self.source.read(start, stop) - self.subtrahend.read(start, stop)
