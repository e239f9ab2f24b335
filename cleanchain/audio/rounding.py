"""Samples to the steps of an integer format, with triangular dither of our own."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.errors import OutputError
from cleanchain.units import format_time

#: Runs of digital silence of this length or longer stay digital silence.
SILENT_RUN_FRAMES = 64
#: What a transform leaves where there was nothing; the last bit of 32 is 466 times as large.
SILENT_PEAK = 1e-12


class Rounder:
    """Rounds blocks of a signal to an integer format, in order.

    Triangular dither two steps wide makes the error's mean and variance independent of the
    signal (Lipshitz, Wannamaker and Vanderkooy 1992, from memory). It is seeded, so that the same
    input gives the same file.

    Parameters
    ----------
    bits : int
        Bits a sample, 8 to 32.
    seed : int
        Seed of the dither.
    rate_hz : int
        For the times in messages.
    name : str
        For messages.
    allow_clip : bool, optional
        Clip what passes full scale instead of refusing it.
    """

    def __init__(
        self, bits: int, seed: int, rate_hz: int, name: str, allow_clip: bool = False
    ) -> None:
        self._scale = 2.0 ** (bits - 1)
        self._shift = 32 - bits
        self._rng = np.random.Generator(np.random.SFC64(seed))
        self._rate_hz, self._name, self._allow_clip = rate_hz, name, allow_clip
        self._done = 0

    def __call__(self, samples: Samples) -> NDArray[np.int32]:
        """Return one block as int32, left-justified, shape (channels, frames).

        Raises
        ------
        OutputError
            If a sample passes full scale, or is not a number.
        """
        steps = samples * self._scale
        spread = self._rng.random((2, *samples.shape), dtype=np.float32)
        dither = spread[0].astype(np.float64)
        dither -= spread[1]
        for channel, silent in _silent_runs(samples):
            dither[channel, silent] = 0.0
            steps[channel, silent] = 0.0
        steps += dither
        np.rint(steps, out=steps)
        # Dither may push a full-scale sample one step over; a signal beyond that is refused.
        inside = not steps.size or (
            steps.max() <= self._scale and steps.min() >= -self._scale - 1
        )  # false for what is not a number, too
        if not inside and not (self._allow_clip and np.isfinite(steps).all()):
            self._refuse(samples)
        np.clip(steps, -self._scale, self._scale - 1, out=steps)
        self._done += samples.shape[1]
        return steps.astype(np.int32) << self._shift

    def _refuse(self, samples: Samples) -> None:
        peaks = np.abs(samples).max(axis=0)
        at = int(np.argmax(np.where(np.isfinite(peaks), peaks, np.inf)))
        time = format_time((self._done + at) / self._rate_hz)
        if not np.isfinite(peaks[at]):
            raise OutputError(f"the result is not a number at {time}", where=self._name)
        over_db = 20 * np.log10(float(peaks[at]))
        raise OutputError(
            f"the result passes full scale by {over_db:.1f} dB at {time} and would be clipped",
            where=self._name,
            fix="Add a stage that makes it quieter: loudness --target -23LUFS --ceiling -1dBTP.",
        )


def _silent_runs(samples: Samples) -> list[tuple[int, NDArray[np.bool_]]]:
    """Return, for each channel with digital silence, which of its frames are part of a run."""
    found = []
    for channel, row in enumerate(np.abs(samples) < SILENT_PEAK):
        if not row.any():
            continue
        edges = np.flatnonzero(np.diff(np.concatenate(([False], row, [False])).astype(np.int8)))
        starts, stops = edges[::2], edges[1::2]
        # A run that touches the block's end may go on in the next block.
        long = (stops - starts >= SILENT_RUN_FRAMES) | (starts == 0) | (stops == row.size)
        steps = np.zeros(row.size + 1, dtype=np.int8)
        steps[starts[long]] = 1
        steps[stops[long]] = -1
        found.append((channel, np.cumsum(steps[:-1], dtype=np.int8) > 0))
    return found
