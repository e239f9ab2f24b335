"""A source seen through an operator: worked out as far as it is read, then kept."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import numpy as np

from cleanchain.audio.scratch import Scratch
from cleanchain.audio.source import BLOCK_FRAMES, ReadableByRange, Samples, Source
from cleanchain.operators.base import Lanes, Operator, run
from cleanchain.operators.gain import Gain

#: Bytes of one processed source that are kept in memory; what is longer goes to a temporary file.
#: A chain has as many such sources as stages, for the take and for the silence.
MEMORY_BYTES = 1 << 24


class Planned(ReadableByRange):
    """The result of an operator on a source, as a source.

    Nothing happens until it is read. Reading runs the operator as far as the last frame asked for
    and keeps the result in memory, or in an unnamed temporary file when it is long, so that each
    operator runs once however often the result is read. It is worked out and kept in single
    precision, whose error lies more than 110 dB below the recording. A plain gain is quicker than
    any store, so nothing of it is kept.

    Parameters
    ----------
    source : Source
        What drives the operator.
    operator : Operator
        What to apply.
    passenger : Source, optional
        What goes along with the source; the result is then the passenger's.
    """

    def __init__(self, source: Source, operator: Operator, passenger: Source | None = None) -> None:
        self._lanes: tuple[Source, ...] = (source,) if passenger is None else (source, passenger)
        self._operator = operator
        self.name = self._lanes[-1].name
        self.rate_hz = source.rate_hz
        self.channels = source.channels
        self.frames = source.frames
        self.joins = source.joins
        self._store: Scratch | None = None
        self._running: Iterator[Lanes] = iter(())
        self._done = 0  # frames worked out
        self._lock = threading.RLock()

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (channels, stop - start)."""
        if isinstance(self._operator, Gain):
            return self._lanes[-1].read(start, stop) * self._operator.factor
        frame_bytes = 4 * self.channels
        with self._lock:
            store = self._filled(min(stop, self.frames))
            data = store.read(start * frame_bytes, (stop - start) * frame_bytes)
        kept = np.frombuffer(data, dtype=np.float32).reshape(-1, self.channels)
        return np.array(kept.T, dtype=np.float64, order="C")

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """Yield all frames in order; the first time over they are worked out on the way."""
        if isinstance(self._operator, Gain):
            for block in self._lanes[-1].blocks(block_frames):
                yield block * self._operator.factor
            return
        yield from super().blocks(block_frames)

    def _filled(self, frames: int) -> Scratch:
        if self._store is None:
            self._store = Scratch(MEMORY_BYTES, 4 * self.frames * self.channels)
            self._running, self._done = run(self._operator, *self._lanes, single=True), 0
        if self._done < frames:
            try:
                self._fill(self._store, frames)
            except BaseException:
                self._store.close()
                self._store = None
                raise
            if self._done == self.frames:
                self._lanes, self._running = (), iter(())  # an earlier store can be let go of
        return self._store

    def _fill(self, store: Scratch, frames: int) -> None:
        while self._done < frames:
            block = next(self._running)[-1]
            store.append(np.ascontiguousarray(block.T).tobytes())
            self._done += block.shape[-1]

    def close(self) -> None:
        """Let go of what was kept."""
        if self._store is not None:
            self._store.close()

    def __del__(self) -> None:
        self.close()
