"""What a file is and what was found in it, before anybody cleans it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.file_source import FileSource
from cleanchain.audio.hashing import SampleHash, remember
from cleanchain.audio.source import Samples
from cleanchain.measure.clipping import Clipping, find_clipping
from cleanchain.measure.steep_cut import find_steep_cut_hz

#: Version of the plain data.
SCHEMA = "cleanchain/inspect/1"
#: Shortest stretch of zeros in all channels that is told, s.
SHORTEST_SILENCE_S = 0.01
#: A mean beyond this, full scale 1, is told as an offset: -60 dBFS.
NOTABLE_DC = 1e-3
#: A channel this far below the loudest one is told as nearly dead, dB.
NEARLY_DEAD_DB = 60.0
_MOST_STRETCHES = 50


@dataclass(frozen=True)
class ChannelFindings:
    """What was found in one channel.

    Parameters
    ----------
    channel : int
        Counted from 1.
    peak_dbfs : float or None
        20 lg of the largest magnitude; None for nothing but zeros.
    level_dbfs : float or None
        Level by AES17: a full-scale sine reads 0.
    dc : float
        Mean, full scale 1.
    constant : bool
        All samples are the same: nothing is connected, or it is off.
    not_finite, first_not_finite_s : int, float or None
        Samples that are no numbers, and when the first one is.
    over_full_scale : int
        Samples beyond full scale; only floats can have them.
    clipping : Clipping
        Flat peaks.
    """

    channel: int
    peak_dbfs: float | None
    level_dbfs: float | None
    dc: float
    constant: bool
    not_finite: int
    first_not_finite_s: float | None
    over_full_scale: int
    clipping: Clipping = field(default_factory=Clipping)


@dataclass(frozen=True)
class Inspection:
    """What a file is and what was found in it.

    Parameters
    ----------
    source : FileSource
        The file.
    sample_hash : str
        See `cleanchain.audio.hashing`.
    channels : tuple of ChannelFindings
        One a channel.
    silent_stretches_s : tuple of (float, float)
        Stretches of digital silence in all channels.
    silent_s : float
        How long they are together.
    bits_used : int or None
        Bits that ever differ from zero, of an integer format.
    like_first : dict of int to str
        Channels that are the same as the first one, or its negative.
    steep_cut_hz : float or None
        See `cleanchain.measure.steep_cut`.
    """

    source: FileSource
    sample_hash: str
    channels: tuple[ChannelFindings, ...]
    silent_stretches_s: tuple[tuple[float, float], ...]
    silent_s: float
    bits_used: int | None
    like_first: dict[int, str]
    steep_cut_hz: float | None

    @property
    def chunks(self) -> list[str]:
        """Names of the chunks that the container holds."""
        payload = self.source.payload
        return [] if payload is None else [chunk.label for chunk in payload.layout.chunks]

    def as_data(self) -> dict[str, Any]:
        """Return everything as plain data."""
        source = self.source
        return {
            "schema": SCHEMA,
            "file": str(source.path),
            "container": source.container,
            "subtype": source.subtype,
            "rate_hz": source.rate_hz,
            "channel_count": source.channels,
            "frames": source.frames,
            "seconds": source.frames / source.rate_hz,
            "sample_hash": self.sample_hash,
            "chunks": self.chunks,
            "notices": list(source.notices),
            "bits_used": self.bits_used,
            "silent_s": self.silent_s,
            "silent_stretches_s": [list(pair) for pair in self.silent_stretches_s],
            "like_first_channel": {str(key): what for key, what in self.like_first.items()},
            "steep_cut_hz": self.steep_cut_hz,
            "channels": [asdict(channel) for channel in self.channels],
        }


def inspect(source: FileSource) -> Inspection:
    """Look at a file from end to end, block by block.

    Parameters
    ----------
    source : FileSource
        Samples that are no numbers are counted, not refused.
    """
    seen = _Tally(source)
    for block in source.stored_blocks():
        seen.add(block)
    remember(source, seen.hash)
    finite = not seen.not_finite.any()
    step = 0.0 if source.bits is None else 2.0 ** (1 - source.bits)
    clipping = [Clipping()] * source.channels
    if finite:
        clipping = find_clipping(source, seen.peaks, step)
    return Inspection(
        source=source,
        sample_hash=seen.hash.text(),
        channels=tuple(seen.channel(index, clipping[index]) for index in range(source.channels)),
        silent_stretches_s=tuple(
            (a / source.rate_hz, b / source.rate_hz) for a, b in seen.silence[:_MOST_STRETCHES]
        ),
        silent_s=sum(b - a for a, b in seen.silence) / source.rate_hz,
        bits_used=seen.bits_used,
        like_first=seen.like_first,
        steep_cut_hz=find_steep_cut_hz(source) if finite else None,
    )


class _Tally:
    """Sums over a file that is read in blocks."""

    def __init__(self, source: FileSource) -> None:
        count = source.channels
        self._source, self._at = source, 0
        self._sum, self._energy = np.zeros(count), np.zeros(count)
        self.peaks = np.zeros(count)
        self._low, self._high = np.full(count, np.inf), np.full(count, -np.inf)
        self.not_finite = np.zeros(count, dtype=int)
        self._first_bad: list[int | None] = [None] * count
        self._over = np.zeros(count, dtype=int)
        self._used = 0
        self._same, self._negative = np.ones(count, dtype=bool), np.ones(count, dtype=bool)
        self._silent_since: int | None = None
        self.silence: list[tuple[int, int]] = []
        self.hash = SampleHash()

    def add(self, block: NDArray[Any]) -> None:
        """Take the next block, shape (frames, channels), as it is stored."""
        self.hash.update(block)
        if block.dtype == np.int32:
            self._used |= int(np.bitwise_or.reduce(block, axis=None)) & 0xFFFFFFFF
            samples = block.T / 2.0**31
        else:
            samples = block.T.astype(np.float64)
            self._tally_bad(samples)
            samples = np.where(np.isfinite(samples), samples, 0.0)
        self._sum += samples.sum(axis=1)
        self._energy += np.square(samples).sum(axis=1)
        self._low = np.minimum(self._low, samples.min(axis=1))
        self._high = np.maximum(self._high, samples.max(axis=1))
        self.peaks = np.maximum(-self._low, self._high)
        self._over += (np.abs(samples) > 1.0).sum(axis=1)
        self._same &= (samples == samples[0]).all(axis=1)
        self._negative &= (samples == -samples[0]).all(axis=1)
        self._tally_silence(np.logical_not(samples.any(axis=0)))
        self._at += samples.shape[1]
        if self._at == self._source.frames:
            self._end_silence(self._at)

    def _tally_bad(self, samples: Samples) -> None:
        bad = ~np.isfinite(samples)
        for channel in np.flatnonzero(bad.any(axis=1)):
            self.not_finite[channel] += bad[channel].sum()
            if self._first_bad[channel] is None:
                self._first_bad[channel] = self._at + int(np.argmax(bad[channel]))

    def _tally_silence(self, silent: NDArray[np.bool_]) -> None:
        before = self._silent_since is not None
        edges = np.flatnonzero(np.diff(np.concatenate(([before], silent)).astype(np.int8)))
        for edge in edges:
            if silent[edge]:
                self._silent_since = self._at + int(edge)
            else:
                self._end_silence(self._at + int(edge))

    def _end_silence(self, stop: int) -> None:
        start, self._silent_since = self._silent_since, None
        if start is not None and stop - start >= SHORTEST_SILENCE_S * self._source.rate_hz:
            self.silence.append((start, stop))

    @property
    def bits_used(self) -> int | None:
        """Bits from the highest to the lowest that is ever set."""
        if self._source.bits is None:
            return None
        return 32 - ((self._used & -self._used).bit_length() - 1) if self._used else 0

    @property
    def like_first(self) -> dict[int, str]:
        """Channels that are the first one again."""
        if self.peaks[0] == 0.0:
            return {}
        words = {}
        for channel in range(1, self._source.channels):
            if self._same[channel]:
                words[channel + 1] = "the same"
            elif self._negative[channel]:
                words[channel + 1] = "its negative"
        return words

    def channel(self, index: int, clipping: Clipping) -> ChannelFindings:
        """Return what was found in one channel."""
        frames, rate_hz = self._source.frames, self._source.rate_hz
        peak, power = float(self.peaks[index]), float(self._energy[index]) / frames
        first = self._first_bad[index]
        return ChannelFindings(
            channel=index + 1,
            peak_dbfs=20 * float(np.log10(peak)) if peak else None,
            level_dbfs=10 * float(np.log10(2 * power)) if power else None,
            dc=float(self._sum[index]) / frames,
            constant=bool(self._low[index] == self._high[index]),
            not_finite=int(self.not_finite[index]),
            first_not_finite_s=None if first is None else first / rate_hz,
            over_full_scale=int(self._over[index]),
            clipping=clipping,
        )
