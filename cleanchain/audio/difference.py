"""One source less another: what was taken out."""

from __future__ import annotations

from dataclasses import dataclass

from cleanchain.audio.source import ReadableByRange, Samples, Source


@dataclass(frozen=True)
class Difference(ReadableByRange):
    """Frame by frame difference of two sources of the same shape.

    Parameters
    ----------
    minuend, subtrahend : Source
        The second is taken from the first.
    name : str
        What messages call it.
    """

    minuend: Source
    subtrahend: Source
    name: str

    @property
    def rate_hz(self) -> int:
        """Sampling rate in Hz."""
        return self.minuend.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self.minuend.channels

    @property
    def frames(self) -> int:  # type: ignore[override]
        """Number of frames."""
        return self.minuend.frames

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (channels, stop - start)."""
        return self.minuend.read(start, stop) - self.subtrahend.read(start, stop)
