"""Samples to the steps of an integer format, with triangular dither of our own."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.errors import OutputError
from cleanchain.units import format_time

#: Runs of zeros of this length or longer, in the source, stay digital silence.
SILENT_RUN_FRAMES = 64


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
    """

    def __init__(self, bits: int, seed: int, rate_hz: int, name: str) -> None:
        self._scale = 2.0 ** (bits - 1)
        self._shift = 32 - bits
        self._rng = np.random.Generator(np.random.SFC64(seed))
        self._rate_hz, self._name = rate_hz, name
        self._done = 0

    def __call__(self, samples: Samples) -> NDArray[np.int32]:
        """Return one block as int32, left-justified, shape (channels, frames).

        Raises
        ------
        OutputError
            If a sample passes full scale.
        """
        steps = samples * self._scale
        spread = self._rng.random((2, *samples.shape), dtype=np.float32)
        dither = spread[0].astype(np.float64)
        dither -= spread[1]
        dither[:, _silent(samples)] = 0.0
        steps += dither
        np.rint(steps, out=steps)
        # Dither may push a full-scale sample one step over; a signal beyond that is refused.
        if steps.size and (steps.max() > self._scale or steps.min() < -self._scale - 1):
            self._refuse(samples)
        np.clip(steps, -self._scale, self._scale - 1, out=steps)
        self._done += samples.shape[1]
        return steps.astype(np.int32) << self._shift

    def _refuse(self, samples: Samples) -> None:
        peaks = np.abs(samples).max(axis=0)
        at = int(np.argmax(peaks))
        over_db = 20 * np.log10(float(peaks[at]))
        raise OutputError(
            f"the result passes full scale by {over_db:.1f} dB at "
            f"{format_time((self._done + at) / self._rate_hz)} and would be clipped",
            where=self._name,
            fix="Add a stage that makes it quieter: loudness --target -23LUFS --ceiling -1dBTP.",
        )


def _silent(samples: Samples) -> NDArray[np.bool_]:
    """Mark frames inside runs of at least `SILENT_RUN_FRAMES` frames of zeros."""
    zero = ~samples.any(axis=0)
    if not zero.any():
        return zero
    edges = np.flatnonzero(np.diff(np.concatenate(([0], zero.view(np.int8), [0]))))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        # A run that touches the block's end may go on in the next block.
        inside = start > 0 and stop < zero.size
        if inside and stop - start < SILENT_RUN_FRAMES:
            zero[start:stop] = False
    return zero
