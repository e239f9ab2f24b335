"""What a hum is expected to be, and how far each place of a take is to be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from cleanchain.operators.harmonics import Amplitudes, HarmonicFrames, Reals, turned


@dataclass(frozen=True, eq=False)
class ExpectedHum:
    """What a hum is expected to be, on knots: all but the phase is joined by straight lines.

    Parameters
    ----------
    knot_s : ndarray of shape (knots,)
        Times of the knots, s, ascending.
    cycles : ndarray of shape (knots,)
        Phase of the mains beyond the steady turn of the frames, in cycles, joined by cubics whose
        slope at a knot is that between its neighbours: straight lines would put sidebands beside
        each line.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes at a phase of zero and a level of one.
    trust : ndarray of shape (channels, knots, harmonics)
        One over the variance of the real part of a period's amplitude, all but the hum.
    course : ndarray of shape (knots,)
        Course of the hum's level, from 0 up, as far as it is known beforehand.
    """

    knot_s: Reals
    cycles: Reals
    shape: Amplitudes
    trust: NDArray[np.float32]
    course: Reals

    def at(
        self, frames: HarmonicFrames, first: int, count: int
    ) -> tuple[Amplitudes, NDArray[np.floating]]:
        """Return hum and trust in periods, each (channels, count, harmonics)."""
        low, high, part = self._between(frames.seconds(count, first))
        blend = np.clip(part, 0.0, 1.0)[:, None].astype(np.float32)
        trust = self.trust[:, low] + blend * (self.trust[:, high] - self.trust[:, low])
        return self.hum_at(frames, first, count), trust

    def hum_at(
        self,
        frames: HarmonicFrames,
        first: int,
        count: int,
        from_s: float = -np.inf,
        to_s: float = np.inf,
    ) -> Amplitudes:
        """Return the hum alone, beyond some times as it would be had it gone on from there."""
        seconds = frames.seconds(count, first).clip(from_s, np.nextafter(to_s, -np.inf))
        low, high, beyond = self._between(seconds)
        part = np.clip(beyond, 0.0, 1.0)
        gap = self.knot_s[high] - self.knot_s[low]
        cycles = hermite(
            self.cycles[low], self.cycles[high],
            gap * self._slopes[0, low], gap * self._slopes[1, high], part,
        )  # fmt: skip
        # Beyond the first and the last knot the mains go on at their frequency there.
        cycles += (beyond - part) * (self.cycles[high] - self.cycles[low])
        course = self.course[low] + part * (self.course[high] - self.course[low])
        turn = turned(frames.cycles(first, count) + cycles, frames.harmonics)
        return self.shape[:, None] * (course[:, None] * turn)

    @cached_property
    def _slopes(self) -> Reals:
        """Slopes of the phase after each knot, and before it, cycles a second."""
        gaps = np.diff(self.knot_s)
        steps = np.diff(self.cycles) / np.maximum(gaps, 1e-9)
        # Two knots at one time are a jump, which no slope reaches across.
        apart = gaps > 1e-6
        middle = np.zeros(self.knot_s.size)
        if self.knot_s.size > 2:
            wide = self.knot_s[2:] - self.knot_s[:-2]
            middle[1:-1] = (self.cycles[2:] - self.cycles[:-2]) / np.maximum(wide, 1e-9)
        inner = np.zeros(self.knot_s.size, dtype=bool)
        inner[1:-1] = apart[1:] & apart[:-1]
        after = np.where(inner, middle, np.append(steps, 0.0))
        before = np.where(inner, middle, np.append(0.0, steps))
        return np.stack([after, before])

    def _between(self, seconds: Reals) -> tuple[NDArray[np.int_], NDArray[np.int_], Reals]:
        """Return the knots before and after times, and where between them each lies."""
        knots = np.searchsorted(self.knot_s, seconds, side="right") - 1
        low = np.clip(knots, 0, max(self.knot_s.size - 2, 0))
        high = np.minimum(low + 1, self.knot_s.size - 1)
        gap = np.maximum(self.knot_s[high] - self.knot_s[low], 1e-9)
        return low, high, np.clip((seconds - self.knot_s[low]) / gap, -1.0, 2.0)


def hermite(low: Reals, high: Reals, after: Reals, before: Reals, part: Reals) -> Reals:
    """Join values by cubics, given their slopes at either end per whole way between them."""
    gap = high - low
    bent = (1 - part) * (after - gap) - part * (before - gap)
    joined: Reals = low + part * (gap + (1 - part) * bent)
    return joined
