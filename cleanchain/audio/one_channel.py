"""One channel of a source, as a source."""

from __future__ import annotations

from dataclasses import dataclass

from cleanchain.audio.source import Samples, Source, WholeView


@dataclass(frozen=True)
class OneChannel(WholeView):
    """One channel of a source.

    Parameters
    ----------
    source : Source
        Of any number of channels.
    number : int
        Counted from 1, as people count them.
    """

    source: Source
    number: int

    @property
    def name(self) -> str:
        """What messages call it."""
        return f"channel {self.number} of {self.source.name}"

    @property
    def channels(self) -> int:
        """One."""
        return 1

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (1, stop - start)."""
        return self.source.read(start, stop)[self.number - 1 : self.number]
