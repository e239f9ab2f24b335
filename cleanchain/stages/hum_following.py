"""How the hum stage follows a known waveform through a take."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples, Source
from cleanchain.fourier import fast_length
from cleanchain.measure.hum import PERIOD_NOISE, HumModel
from cleanchain.measure.hum_breaks import find_breaks, find_jump
from cleanchain.measure.hum_cells import STRIDE, Cells, at_seconds, cells_along, cells_of
from cleanchain.measure.hum_levels import average_levels, levels_of, noise_of
from cleanchain.measure.hum_periods import Periods, periods_of
from cleanchain.measure.mains_phase import drawn_error, refine, rough_path
from cleanchain.operators.harmonics import HarmonicFrames, Reals
from cleanchain.operators.projection import ExpectedHum, HumProjection

#: Length of the stretches in which the take's own frequency is looked for, s, and their number.
_STRETCH_S, _STRETCHES = 4.0, 40
#: How far the take's mean frequency may be from that of the silence, Hz.
_OFFSET_HZ = 0.6
#: How many offsets are followed where the hum is not heard, and how far apart they are, Hz.
_TRIED, _APART_HZ = 4, 0.1
#: Offsets that are tried around each, Hz.
_NEARBY_HZ = (-0.08, 0.0, 0.08)
#: Power of a line's own unsteadiness over the line's: no cell is trusted beyond it.
UNSTEADY = 1e-3
#: A hum is heard where its level is so many standard deviations above zero, and so high.
_HEARD_SD, _HEARD_LEVEL = 5.0, 0.01
#: Periods of hum that are put to sound at a time.
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
    cells : Cells
        What is seen, around that frequency.
    phase : ndarray of shape (cells,)
        Path of the mains phase beyond the steady turn, rad.
    noise : ndarray of shape (channels, cells, harmonics)
        Power of all but the hum in each cell.
    jumps : list of int
        Periods at which the phase jumps.
    breaks : tuple of int
        Periods at which the level jumps.
    course : ndarray of shape (cells,) or None, optional
        Course of the level that a reference showed; None where it is not known beforehand.
    """

    model: HumModel
    frames: HarmonicFrames
    cells: Cells
    phase: Reals
    noise: NDArray[np.float32]
    jumps: list[int]
    breaks: tuple[int, ...]
    course: Reals | None = None

    @cached_property
    def levels(self) -> tuple[NDArray[np.int8], Reals, Reals]:
        """How long each level is averaged, the levels over the course, their deviations."""
        return average_levels(
            self.cells, self.model.amplitudes, self.phase, self.noise, self.course
        )

    @property
    def loudness(self) -> Reals:
        """Level of the hum in each half cell, shape (channels, bins)."""
        if self.course is None:
            return self.levels[1]
        step_s = self.cells.step_s
        seconds = (np.arange(self.levels[1].shape[1]) + 0.5) * step_s / 2
        return self.levels[1] * at_seconds(self.course, step_s, seconds)

    @property
    def is_heard(self) -> bool:
        """Whether the hum of the waveform is in the take at all.

        Where a hum as loud as in the silence would not be heard, a louder one must be twice as
        clear: drones on several lines at once may look like it.
        """
        _, level, sd = self.levels
        clear = np.where(_HEARD_SD * sd < 1.0, _HEARD_SD, 2 * _HEARD_SD)
        return bool((level > np.maximum(clear * sd, _HEARD_LEVEL)).any())

    @property
    def is_hidden(self) -> bool:
        """Whether the hum of the silence, were it there at half its level, would not be heard."""
        return bool(np.median(self.levels[2]) > 0.5 / _HEARD_SD)

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
        cells = [jump / STRIDE for jump in self.jumps]
        whole = [not any(end - width - 1 < jump <= end + 1 for jump in cells) for end in ends]
        return float(np.std(slope[whole])) if any(whole) else 0.0

    def expected(self) -> ExpectedHum:
        """Return what the hum is expected to be, and how far each place is to be trusted."""
        knots = self.cells.seconds - 0.5 / self.frames.rate_hz
        cycles = self.phase / (2 * np.pi)
        trust = np.float32(2.0 / PERIOD_NOISE) / self.noise
        course = np.ones(cycles.size) if self.course is None else self.course
        course = beside_breaks(course, self.breaks)
        # At a jump or a break two knots lie at one time, each with what is on its side.
        edges = sorted({*self.jumps, *(self.breaks if self.course is not None else ())})
        at = [_first_cell(edge) for edge in edges]
        last = cycles.size - 1
        when = [edge * self.frames.period_s for edge in edges]
        places = np.repeat(at, 2).astype(int)
        sources = np.ravel([[max(cell - 1, 0), min(cell, last)] for cell in at]).astype(int)
        return ExpectedHum(
            np.insert(knots, places, np.repeat(when, 2)),
            np.insert(cycles, places, cycles[sources]),
            self.model.amplitudes,
            np.insert(trust, places, trust[:, sources], axis=1),
            np.insert(course, places, course[sources]),
        )

    def operator(self) -> HumProjection:
        """Return the operator that takes the hum out."""
        return HumProjection(self.frames, self.expected(), self.levels[0], self.breaks)

    def continued(
        self,
        frames: int,
        joins: Sequence[int] = (),
        wander: np.random.Generator | None = None,
        faint: bool = False,
    ) -> Samples:
        """Return the hum alone, at the level and along the phase that were found.

        Parameters
        ----------
        frames : int
            Length, up to that of the take.
        joins : sequence of int
            Frames at which the take begins anew: the phase goes on there without a jump.
        wander : Generator, optional
            Draws how far the true path and waveform may lie from those that were found. Without it
            a hum that goes on would be taken out better than the one it stands for.
        faint : bool, optional
            With the lines that the silence shows but faintly, which will not be taken out.

        Returns
        -------
        ndarray of shape (channels, frames)
        """
        phase, hop = self.phase, self.frames.hop
        if wander is not None:
            phase = phase + self._error(wander)
        if joins:
            steps = np.diff(phase, prepend=phase[0])
            for join in joins:
                cell = int(join / hop / STRIDE)
                steps[max(cell - 1, 0) : cell + 2] = 0.0
            phase = phase[0] + np.cumsum(steps)
        path = replace(self, phase=phase).expected()
        if wander is not None:
            path = replace(path, shape=self.model.drawn(wander))
        lines = [(self.frames, path)]
        if faint and (rest := self.model.faint) is not None:
            frames_there = replace(self.frames, harmonics=rest.harmonics)
            lines.append((frames_there, replace(path, shape=rest.amplitudes)))
        level = self.levels[1].clip(min=0.0)
        count = self.frames.periods(frames)
        parts = [np.empty((level.shape[0], 0))]
        for first in range(0, count, _CHUNK_PERIODS):
            size = min(_CHUNK_PERIODS, count - first)
            # One period more on either side, so that the sound joins.
            seconds = self.frames.seconds(size + 2, first - 1)
            heard = at_seconds(level, self.cells.step_s / 2, seconds, axis=1)
            sounds = [
                one.sound(hum.hum_at(one, first - 1, size + 2) * heard[..., None])
                for one, hum in lines
            ]
            start = hop - hop // 2
            parts.append(np.sum(sounds, axis=0)[..., start : start + size * hop])
        result: Samples = np.concatenate(parts, axis=-1)[:, :frames]
        return result

    def _error(self, rng: np.random.Generator) -> Reals:
        """Draw how far the true phase may lie from that which was found."""
        level = 0.5 * (self.loudness[:, ::2] + self.loudness[:, 1::2]).clip(min=0.0)
        jumps = sorted({_first_cell(jump) for jump in self.jumps})
        shape = self.model.amplitudes
        return drawn_error(self.cells, shape, level, self.noise, self.phase, jumps, rng)


def follow(take: Source, model: HumModel) -> Followed:
    """Follow the mains through a take, once the waveform of the hum is known.

    Where notes lie near the lines of another mains frequency, the likeliest one may be theirs:
    the next ones are followed until the hum is heard, the first one stands if it never is.
    """
    frames = HarmonicFrames(take.rate_hz, model.mains_hz, model.harmonics)
    periods = periods_of(take, frames)
    first: Followed | None = None
    for offset_hz in _rough_offsets(periods, model):
        if abs(offset_hz) > 0.2:
            moved = replace(frames, mains_hz=frames.mains_hz + offset_hz)
            path = _follow_near(periods_of(take, moved), model, 0.0)
        else:
            path = _follow_near(periods, model, offset_hz)
        if path.is_heard:
            return path
        first = first or path
    assert first is not None
    return first


def _follow_near(periods: Periods, model: HumModel, offset_hz: float) -> Followed:
    """Follow the mains from a frequency that is right to 0.1 Hz."""
    frames = periods.frames
    quiet = (model.noise + UNSTEADY * np.abs(model.amplitudes) ** 2)[:, None]
    nearby = [cells_of(periods.retuned(offset_hz + nearby_hz)) for nearby_hz in _NEARBY_HZ]
    number, phase, jumps, _ = rough_path(nearby, model.amplitudes, quiet)
    offset_hz, cells = offset_hz + _NEARBY_HZ[number], nearby[number]
    del nearby
    noise = (cells.beside + quiet).astype(np.float32)
    phase, sd, noise, _ = _refined(cells, model, quiet, noise, phase, jumps, 3)
    periods = periods.retuned(offset_hz)
    usual = np.median(noise, axis=1).astype(np.float64)
    breaks = find_breaks(periods, model.amplitudes, usual, phase)
    found = {find_jump(periods, model.amplitudes, usual, phase, jump) for jump in jumps}
    jumps_at = sorted(found)
    # Jumps that lie near each other may leave no cell between them.
    jumps = sorted({_first_cell(jump) for jump in jumps_at})
    phase = beside_breaks(phase, jumps_at)
    # Once more along the path found, so that no line is smeared by its own wandering.
    cells = cells_along(periods, phase, jumps_at)
    phase, sd, noise, level = _refined(cells, model, quiet, noise, phase, jumps, 2)
    say = level.max(axis=0) ** 2 / np.maximum(sd, 1e-6) ** 2
    drift_hz = _common_slope(cells.seconds, phase, say + 1e-9, jumps) / (2 * np.pi)
    # The periods that jumps and breaks are counted in stay as they are.
    mains_hz = frames.mains_hz + offset_hz + drift_hz
    frames = replace(frames, mains_hz=mains_hz, period_frames=frames.hop)
    steady = 2 * np.pi * drift_hz * cells.seconds
    cells, phase = replace(cells, turned_by=cells.turned_by - steady), phase - steady
    return Followed(model, frames, cells, phase, noise, jumps_at, breaks)


def _refined(
    cells: Cells,
    model: HumModel,
    quiet: Reals,
    noise: NDArray[np.float32],
    phase: Reals,
    jumps: list[int],
    rounds: int,
) -> tuple[Reals, Reals, NDArray[np.float32], Reals]:
    """Find level, noise and phase in turns.

    Returns
    -------
    phase, sd : ndarray of shape (cells,)
    noise : ndarray of shape (channels, cells, harmonics)
    level : ndarray of shape (channels, cells)
    """
    for _ in range(rounds):
        level = levels_of(cells, model.amplitudes, phase, noise)
        noise = noise_of(cells, model.amplitudes, level, phase, quiet)
        phase, sd = refine(cells, model.amplitudes, level, noise, phase, jumps)
    return phase, sd, noise, level


def _first_cell(jump: int) -> int:
    """Return the first cell whose centre lies after a jump."""
    return int(np.ceil(jump / STRIDE - 0.5))


def beside_breaks(values: Reals, breaks: Sequence[int]) -> Reals:
    """Give the cells that look across a break the value of the next one on their side.

    Parameters
    ----------
    values : ndarray of shape (cells,)
    breaks : sequence of int
        Periods.
    """
    out = values.copy()
    for cell in map(_first_cell, breaks):
        if 2 <= cell <= out.size:
            out[cell - 1] = out[cell - 2]
        if cell + 1 < out.size:
            out[cell] = out[cell + 1]
    return out


def _common_slope(seconds: Reals, phase: Reals, weight: Reals, jumps: list[int]) -> float:
    """Slope of a path that jumps, by weighted least squares with an intercept for each stretch."""
    top = bottom = 0.0
    for low, high in itertools.pairwise([0, *jumps, phase.size]):
        part = weight[low:high]
        at = seconds[low:high] - np.average(seconds[low:high], weights=part)
        top += float((part * at * phase[low:high]).sum())
        bottom += float((part * at**2).sum())
    return top / bottom if bottom > 0 else 0.0


def _rough_offsets(periods: Periods, model: HumModel) -> list[float]:
    """Find how far the take's mean frequency may be from that of the silence, the likeliest first.

    The first is right to 30 mHz if no note draws it; that of the silence is among the others.
    """
    frames = periods.frames
    size = min(round(_STRETCH_S / frames.period_s), periods.count)
    starts = np.arange(0, periods.count - size + 1, max(size // 2, 1))
    if starts.size > _STRETCHES:
        starts = starts[np.linspace(0, starts.size - 1, _STRETCHES).astype(int)]
    padded = fast_length(4 * size)
    window = np.hanning(size + 2)[1:-1].astype(np.float32)
    bin_hz = 1 / (padded * frames.period_s)
    grid = np.arange(-_OFFSET_HZ, _OFFSET_HZ + 0.005, 0.01)
    merit = np.zeros(grid.size)
    stretches = np.stack([periods.part(start, start + size) for start in starts.tolist()])
    for index, harmonic in enumerate(frames.harmonics):
        spectrum = np.abs(np.fft.fft(stretches[..., index] * window, padded, axis=-1)) ** 2
        floor = np.median(spectrum, axis=-1, keepdims=True)
        line = ((0.5 * window.sum() * np.abs(model.amplitudes[:, index])) ** 2)[:, None]
        rows = np.round(harmonic * grid / bin_hz).astype(int) % padded
        # A line counts up to its own height over the floor, however loud a note on it is, and in
        # each stretch anew, so that a hum that is there for a part of the take is found.
        height = np.minimum(spectrum[..., rows], line) / (floor + 0.05 * line + 1e-20)
        merit += np.log1p(height).sum(axis=(0, 1))
    best = merit > merit.max() - 1e-9
    found = [float(grid[best].mean())]
    for near_hz in (0.0, *grid[np.argsort(-merit, kind="stable")].tolist()):
        if len(found) < _TRIED and all(abs(near_hz - one) > _APART_HZ for one in found):
            found.append(near_hz)
    return found
