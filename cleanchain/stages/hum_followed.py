"""A take as seen along its mains, once they have been followed through it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum import PERIOD_NOISE, HumModel
from cleanchain.measure.hum_cells import STRIDE, Cells, at_seconds
from cleanchain.measure.hum_levels import COHERENCE, level_bins
from cleanchain.measure.hum_periods import Periods
from cleanchain.operators.expected_hum import ExpectedHum
from cleanchain.operators.harmonics import Amplitudes, HarmonicFrames, Reals, turned
from cleanchain.operators.hum_level import edges_of
from cleanchain.operators.projection import HumProjection, cut_periods

#: A hum is heard where its level is so many standard deviations above zero, and so high.
_HEARD_SD, _HEARD_LEVEL = 5.0, 0.01
#: Standard deviation of what a line says of the level, over the level, from which on it can tell.
_TOLD_SD = 0.2
#: Quietest part of the cells of a line, and power over what lies around from which what is left on
#: the lines there is a hum of another waveform, unless it is so little of what was there.
_QUIET, _STANDS_OUT, _LITTLE = 0.25, 4.0, 0.05
#: Power of a line's own unsteadiness over the line's: no cell is trusted beyond it.
UNSTEADY = 1e-3
#: Periods that are looked at together.
_CHUNK_PERIODS = 4096


@dataclass(frozen=True, eq=False)
class Followed:
    """A take as seen along its mains.

    Parameters
    ----------
    model : HumModel
        The waveform.
    frames : HarmonicFrames
        At the take's own mean frequency.
    periods : Periods
        What is seen, period by period.
    cells : Cells
        The same averaged, around that frequency.
    phase : ndarray of shape (cells,)
        Path of the mains phase beyond the steady turn, rad.
    noise : ndarray of shape (channels, cells, harmonics)
        Power of all but the hum in each cell.
    jumps : tuple of int
        Samples at which the phase jumps.
    breaks, fades : tuple of int
        Samples at which the level changes, and how many that takes.
    course : ndarray of shape (cells,) or None, optional
        Course of the level that a reference showed; None where it is not known beforehand.
    eased : tuple of int, optional
        Samples of those breaks and jumps at which the hum is let go more gently than it changes.
    """

    model: HumModel
    frames: HarmonicFrames
    periods: Periods
    cells: Cells
    phase: Reals
    noise: NDArray[np.float32]
    jumps: tuple[int, ...]
    breaks: tuple[int, ...] = ()
    fades: tuple[int, ...] = ()
    course: Reals | None = None
    eased: tuple[int, ...] = ()

    @cached_property
    def levels(self) -> tuple[NDArray[np.int8], Reals, Reals]:
        """How long each level is averaged, the levels over the course, their deviations."""
        edges = edges_of(self.breaks, self.frames.hop, self.periods.count)
        return level_bins(*self.sums, edges, 2 * self.cells.count)

    @cached_property
    def sums(self) -> tuple[Reals, Reals]:
        """What each period says of the level, and how surely, shape (channels, periods)."""
        hum, hop = self.expected(), self.frames.hop
        count = self.periods.count
        away_hz = self.frames.mains_hz - self.periods.frames.mains_hz
        periods = replace(self.periods, offset_hz=away_hz)
        above, below = (np.empty((self.periods.channels, count)) for _ in range(2))
        cuts = dict.fromkeys(self.jumps, 0) | dict(zip(self.breaks, self.fades, strict=True))
        for first in range(0, count, _CHUNK_PERIODS):
            last = min(first + _CHUNK_PERIODS, count)
            wanted, trust = hum.at(self.frames, first, last - first)
            steady = turned(self.frames.cycles(first, last - first), self.frames.harmonics)
            said = ~cut_periods(cuts, np.arange(first, last), hop)
            seen = periods.part(first, last) * steady
            above[:, first:last] = said * (trust * (seen * wanted.conj()).real).sum(axis=-1)
            below[:, first:last] = said * (trust * np.abs(wanted) ** 2).sum(axis=-1)
        return above, below

    @property
    def loudness(self) -> Reals:
        """Level of the hum in each half cell, shape (channels, bins)."""
        if self.course is None:
            return self.levels[1]
        step_s = self.cells.step_s
        seconds = (np.arange(self.levels[1].shape[1]) + 0.5) * step_s / 2
        return self.levels[1] * at_seconds(self.course, step_s, seconds)

    @property
    def in_cells(self) -> Reals:
        """Level of the hum in each cell, shape (channels, cells)."""
        cells: Reals = 0.5 * (self.loudness[:, ::2] + self.loudness[:, 1::2])
        return cells

    @property
    def is_heard(self) -> bool:
        """Whether the hum of the waveform is in the take at all.

        Where a hum as loud as in the silence would not be heard, a louder one must be twice as
        clear: drones on several lines at once may look like it. And most of the lines that would
        show it must: a path can be found along the notes on a few.
        """
        _, level, sd = self.levels
        clear = np.where(_HEARD_SD * sd < 1.0, _HEARD_SD, 2 * _HEARD_SD)
        return bool((level > np.maximum(clear * sd, _HEARD_LEVEL)).any()) and self._lines_agree

    @property
    def _lines_agree(self) -> bool:
        """Whether most of the lines that can tell show the hum at half its level or more."""
        hum = self.model.amplitudes[:, None] * self.in_cells.clip(min=0.0)[..., None]
        information = ((hum.real**2 + hum.imag**2) / self.noise).sum(axis=1)
        still = self.cells.stilled(self.phase)
        seen = ((still * hum.conj()).real / self.noise).sum(axis=1)
        tell = information > COHERENCE / (2 * _TOLD_SD**2)
        shown = seen[tell] > 0.5 * information[tell]
        return bool(2 * shown.sum() >= shown.size)

    @property
    def is_hidden(self) -> bool:
        """Whether the hum of the silence, were it there at half its level, would not be heard."""
        return bool(np.median(self.levels[2]) > 0.5 / _HEARD_SD)

    @property
    def is_steady(self) -> bool:
        """Whether the hum keeps its waveform: what it leaves is little, or little beside the rest.

        In the quietest quarter of the cells of each line, so that notes on a line do not count.
        """
        left, whole = self.left, self.cells.stilled(self.phase)
        powers = (left.real**2 + left.imag**2, whole.real**2 + whole.imag**2, self.cells.beside)
        quiet, hum, around = (float(np.quantile(one, _QUIET, axis=1).sum()) for one in powers)
        return quiet < _STANDS_OUT * around or quiet < _LITTLE * hum

    @property
    def left(self) -> Amplitudes:
        """What is left on the lines in each cell, shape (channels, cells, harmonics)."""
        hum = self.model.amplitudes[:, None] * self.in_cells[..., None]
        left: Amplitudes = self.cells.stilled(self.phase) - hum
        return left

    @property
    def mains_hz(self) -> float:
        """Mean mains frequency of the take."""
        return self.frames.mains_hz

    @property
    def spread_hz(self) -> float:
        """Standard deviation of the mains frequency, seen over two seconds, Hz."""
        width = max(round(2.0 / self.cells.step_s), 1)
        if self.phase.size <= width:
            return 0.0
        slope = (self.phase[width:] - self.phase[:-width]) / (2 * np.pi * width * self.cells.step_s)
        # A jump of the phase is no wandering of the frequency.
        ends = width + np.arange(slope.size)
        cells = [jump / self.frames.hop / STRIDE for jump in self.jumps]
        whole = [not any(end - width - 1 < jump <= end + 1 for jump in cells) for end in ends]
        return float(np.std(slope[whole])) if any(whole) else 0.0

    @property
    def wander_hz(self) -> Reals:
        """How far the mains are from their mean frequency, from each cell to the next."""
        steps = np.diff(self.phase)
        steps[[first_cell(jump / self.frames.hop) - 1 for jump in self.jumps]] = 0.0
        wander: Reals = steps / (2 * np.pi * self.cells.step_s)
        return wander

    def expected(self) -> ExpectedHum:
        """Return what the hum is expected to be, and how far each place is to be trusted."""
        knots = self.cells.seconds - 0.5 / self.frames.rate_hz
        cycles = self.phase / (2 * np.pi)
        trust = np.float32(2.0 / PERIOD_NOISE) / self.noise
        course = np.ones(cycles.size) if self.course is None else self.course
        hop = self.frames.hop
        course = beside_breaks(course, [round(one / hop) for one in self.breaks])
        # At a jump or a break two knots lie at one time, each with what is on its side.
        edges = sorted({*self.jumps, *(self.breaks if self.course is not None else ())})
        at = [first_cell(edge / hop) for edge in edges]
        last = cycles.size - 1
        when = [(edge - 0.5) / self.frames.rate_hz for edge in edges]
        places = np.repeat(at, 2).astype(int)
        sources = np.ravel([[max(cell - 1, 0), min(cell, last)] for cell in at]).astype(int)
        sides = np.ravel([
            _carried(cycles, knots, low, cell, high, time)
            for low, cell, high, time in zip(
                [0, *at][:-1], at, [*at, cycles.size][1:], when, strict=True
            )
        ])  # fmt: skip
        return ExpectedHum(
            np.insert(knots, places, np.repeat(when, 2)),
            np.insert(cycles, places, sides),
            self.model.amplitudes,
            np.insert(trust, places, trust[:, sources], axis=1),
            np.insert(course, places, course[sources]),
        )

    def operator(self) -> HumProjection:
        """Return the operator that takes the hum out."""
        return HumProjection(
            self.frames, self.expected(), self.levels[0], self.breaks, self.fades, self.jumps
        )

    def moved(self, places: Mapping[int, int]) -> Followed:
        """Return the same with jumps at other places, from the cells on their own side there."""
        hop, phase = self.frames.hop, self.phase.copy()
        for old, new in places.items():
            before, after = first_cell(old / hop), first_cell(new / hop)
            for cell in range(before, after):
                phase[cell] = phase[cell - 1]
            for cell in range(before - 1, after - 1, -1):
                phase[cell] = phase[min(cell + 1, phase.size - 1)]
        jumps = {new for new in places.values() if 0 < first_cell(new / hop) < phase.size}
        return replace(self, phase=phase, jumps=tuple(sorted(jumps)))


def first_cell(jump: float) -> int:
    """Return the first cell whose centre lies after a jump, given in periods."""
    return int(np.ceil(jump / STRIDE - 0.5))


def _carried(
    cycles: Reals, knots: Reals, low: int, cell: int, high: int, time: float
) -> tuple[float, float]:
    """Carry a path on to a time between two cells, from the cells on either side alone.

    The stretch before has the cells from `low` on, that after it those from `cell` up to `high`.
    """
    last = cycles.size - 1

    def on(near: int, far: int) -> float:
        slope = (cycles[near] - cycles[far]) / (knots[near] - knots[far])
        return float(cycles[near] + slope * (time - knots[near]))

    before = on(cell - 1, cell - 2) if cell - 2 >= low else cycles[max(cell - 1, 0)]
    after = on(cell, cell + 1) if cell + 1 < high else cycles[min(cell, last)]
    return float(before), float(after)


def beside_breaks(values: Reals, breaks: Sequence[int]) -> Reals:
    """Give the cells that look across a break the value of the next one on their side.

    Parameters
    ----------
    values : ndarray of shape (cells,)
    breaks : sequence of int
        Periods.
    """
    out = values.copy()
    for cell in map(first_cell, breaks):
        if 2 <= cell <= out.size:
            out[cell - 1] = out[cell - 2]
        if cell + 1 < out.size:
            out[cell] = out[cell + 1]
    return out
