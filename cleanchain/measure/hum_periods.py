"""Amplitudes of mains harmonics in each period of a recording, kept out of memory when many."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.scratch import Scratch
from cleanchain.audio.source import Source
from cleanchain.operators.harmonics import HarmonicFrames, turned_back

#: Bytes of amplitudes that are kept in memory: those of ten harmonics over nine minutes at 50 Hz.
MEMORY_BYTES = 1 << 21
#: Samples read at a time.
_CHUNK = 1 << 18


@dataclass(frozen=True, eq=False)
class Periods:
    """Amplitudes of the whole periods of a source, some of them read at a time.

    They are those of Re a e^(2 pi i h f n / fs), n counted from the start of the source: a steady
    hum of the frequency f of the frames has the same complex amplitude in every period.

    Parameters
    ----------
    frames : HarmonicFrames
        They were cut with.
    harmonics : tuple of int
        Those of the frames that are looked at.
    channels, count : int
        How many of each there are.
    store : Scratch
        Holds them all, period by period.
    offset_hz : float, optional
        They are turned to a mains frequency that is so much higher.
    """

    frames: HarmonicFrames
    harmonics: tuple[int, ...]
    channels: int
    count: int
    store: Scratch
    offset_hz: float = 0.0

    def part(self, first: int, last: int) -> NDArray[np.complex64]:
        """Return periods first <= k < last, shape (channels, periods, harmonics)."""
        all_lines = len(self.frames.harmonics)
        size = 8 * self.channels * all_lines
        data = self.store.read(first * size, (last - first) * size)
        stored = np.frombuffer(data, dtype=np.complex64)
        part = np.moveaxis(stored.reshape(-1, self.channels, all_lines), 0, 1)
        if self.harmonics != self.frames.harmonics:
            part = part[..., np.isin(self.frames.harmonics, self.harmonics)]
        if self.offset_hz:
            cycles = self.offset_hz * self.frames.seconds(last - first, first)
            part = part * turned_back(cycles, self.harmonics)
        return part

    def whole(self) -> NDArray[np.complex64]:
        """Return all periods."""
        return self.part(0, self.count)

    def retuned(self, offset_hz: float) -> Periods:
        """Return amplitudes as they are around a mains frequency that is a little higher."""
        return replace(self, offset_hz=self.offset_hz + offset_hz)

    def keep(self, harmonics: tuple[int, ...]) -> Periods:
        """Return the periods of some harmonics."""
        return replace(self, harmonics=harmonics)


def periods_of(source: Source, frames: HarmonicFrames) -> Periods:
    """Fit the harmonics of frames to each whole period of a source."""
    count = max(source.frames // frames.hop, 1)
    lines = len(frames.harmonics)
    store = Scratch(MEMORY_BYTES, 8 * source.channels * count * lines)
    step = max(_CHUNK // frames.hop, 1)
    for first in range(0, count, step):
        last = min(first + step, count)
        stop = min(last * frames.hop, source.frames)
        samples = source.read(first * frames.hop, stop)
        missing = last * frames.hop - stop
        if missing:
            samples = np.pad(samples, ((0, 0), (0, missing)))
        turn = turned_back(frames.cycles(first, last - first), frames.harmonics)
        part = frames.fit_single(samples) * turn
        store.append(np.ascontiguousarray(np.moveaxis(part, 0, 1)).tobytes())
    return Periods(frames, frames.harmonics, source.channels, count, store)
