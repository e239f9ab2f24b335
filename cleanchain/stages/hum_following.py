"""How the hum stage follows a known waveform through a take."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.fourier import fast_length
from cleanchain.measure.hum import HumModel
from cleanchain.measure.hum_breaks import find_jump
from cleanchain.measure.hum_cells import Cells, cells_along, cells_of
from cleanchain.measure.hum_levels import levels_of, noise_of
from cleanchain.measure.hum_periods import Periods, periods_of
from cleanchain.measure.mains_phase import refine, rough_path
from cleanchain.operators.harmonics import HarmonicFrames, Reals
from cleanchain.stages.hum_easing import eased
from cleanchain.stages.hum_followed import UNSTEADY, Followed, beside_breaks, first_cell
from cleanchain.stages.hum_places import broken, placed

#: Length of the stretches in which the take's own frequency is looked for, s, and their number.
_STRETCH_S, _STRETCHES = 4.0, 40
#: How far the take's mean frequency may be from that of the silence, Hz.
_OFFSET_HZ = 0.6
#: How many offsets are followed where the hum is not heard, and how far apart they are, Hz.
_TRIED, _APART_HZ = 4, 0.1
#: Offsets that are tried around each, Hz.
_NEARBY_HZ = (-0.08, 0.0, 0.08)
#: Cells within which a jump that is seen is at a join of the take.
_ONE_JUMP = 2


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
            path = _follow_near(periods_of(take, moved), model, 0.0, take.joins)
        else:
            path = _follow_near(periods, model, offset_hz, take.joins)
        if path.is_heard:
            return eased(placed(broken(path, take), take), take)
        first = first or path
    assert first is not None
    return first


def _follow_near(
    periods: Periods, model: HumModel, offset_hz: float, joins: Sequence[int]
) -> Followed:
    """Follow the mains from a frequency that is right to 0.1 Hz; at joins the phase may jump."""
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
    joined = {first_cell(join / frames.hop): round(join / frames.hop) for join in joins}
    joined = {cell: at for cell, at in joined.items() if 1 < cell < phase.size - 1}
    found = {
        find_jump(periods, model.amplitudes, usual, phase, jump)
        for jump in jumps
        if all(abs(jump - cell) > _ONE_JUMP for cell in joined)
    }
    jumps_at = sorted({*found, *joined.values()})
    # Jumps that lie near each other may leave no cell between them.
    jumps = sorted({first_cell(jump) for jump in jumps_at})
    phase = beside_breaks(phase, jumps_at)
    # Once more along the path found, so that no line is smeared by its own wandering.
    cells = cells_along(periods, phase, jumps_at)
    phase, sd, noise, level = _refined(cells, model, quiet, noise, phase, jumps, 2)
    say = level.max(axis=0) ** 2 / np.maximum(sd, 1e-6) ** 2
    drift_hz = _common_slope(cells.seconds, phase, say + 1e-9, jumps) / (2 * np.pi)
    # The periods stay as they are cut.
    mains_hz = frames.mains_hz + offset_hz + drift_hz
    frames = replace(frames, mains_hz=mains_hz, period_frames=frames.hop)
    steady = 2 * np.pi * drift_hz * cells.seconds
    cells, phase = replace(cells, turned_by=cells.turned_by - steady), phase - steady
    at_samples = tuple(jump * frames.hop for jump in jumps_at)
    return Followed(model, frames, periods, cells, phase, noise, at_samples)


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
