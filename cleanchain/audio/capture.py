"""Audio held in memory."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cleanchain.audio.source import ReadableByRange, Samples, Source, read_all
from cleanchain.errors import InputError
from cleanchain.units import format_time


@dataclass(frozen=True, eq=False)
class Capture(ReadableByRange):
    """Samples in memory with their rate and a name.

    Parameters
    ----------
    samples : ndarray of shape (channels, frames) or (frames,)
        Finite samples, full scale at 1. Copied to float64 and made read-only; an array that owns
        its samples and is read-only already is kept as it is.
    rate_hz : int
        Sampling rate in Hz.
    name : str, optional
        What messages call it.
    joins : sequence of int, optional
        Frames at which it begins anew, if it is joined from stretches.

    Raises
    ------
    InputError
        If a sample is not finite; the first one is named by channel and time.
    """

    samples: Samples
    rate_hz: int
    name: str = "capture"
    joins: Sequence[int] = ()

    def __post_init__(self) -> None:
        samples = self.samples
        if not _is_kept(samples):
            samples = np.array(np.atleast_2d(samples), dtype=np.float64, order="C")
        check_finite(samples, self.rate_hz, self.name)
        samples.flags.writeable = False
        object.__setattr__(self, "samples", samples)

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[0])

    @property
    def frames(self) -> int:  # type: ignore[override]
        """Number of frames."""
        return int(self.samples.shape[1])

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop as a read-only view."""
        return self.samples[:, start:stop]


def _is_kept(samples: Samples) -> bool:
    """Whether nobody can write to samples that are as they should be."""
    return (
        isinstance(samples, np.ndarray)
        and samples.ndim == 2
        and samples.dtype == np.float64
        and samples.flags.c_contiguous
        and samples.flags.owndata
        and not samples.flags.writeable
    )


def check_finite(samples: Samples, rate_hz: int, name: str, first_frame: int = 0) -> None:
    """Refuse samples that are not finite, naming the first one.

    Raises
    ------
    InputError
        With channel, time and value of the first bad sample and how many there are.
    """
    finite = np.isfinite(samples)
    if finite.all():
        return
    frame = int(np.argmin(finite.all(axis=0)))
    channel = int(np.argmin(finite[:, frame]))
    count = int(finite.size - finite.sum())
    raise InputError(
        f"channel {channel + 1} holds {samples[channel, frame]} at "
        f"{format_time((first_frame + frame) / rate_hz)} ({count} such samples in this stretch)",
        where=name,
        fix="Export the recording again, or cut the damaged stretch out first; clean --repair-nan "
        "bridges short ones.",
    )


def collect(source: Source) -> Capture:
    """Read a whole source into memory."""
    if isinstance(source, Capture):
        return source
    return Capture(read_all(source), source.rate_hz, source.name, source.joins)
