"""The hum of a take alone, as it was followed or as it may well be."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.measure.mains_phase import drawn_error
from cleanchain.operators.harmonics import Reals
from cleanchain.operators.hum_level import BIN, edges_of
from cleanchain.operators.projection import faded
from cleanchain.stages.hum_followed import UNSTEADY, Followed, first_cell

#: Periods of hum that are put to sound at a time.
_CHUNK_PERIODS = 4096


def continued(
    path: Followed,
    frames: int,
    wander: np.random.Generator | None = None,
    faint: bool = False,
    joins: Sequence[int] = (),
) -> Samples:
    """Return the hum alone, at the level and along the phase that were found.

    Parameters
    ----------
    path : Followed
        The take along its mains.
    frames : int
        Length, up to that of the take.
    wander : Generator, optional
        Draws how far the true path and waveform may lie from those that were found. Without it
        a hum that goes on would be taken out better than the one it stands for.
    faint : bool, optional
        With the lines that the silence shows but faintly, which will not be taken out.
    joins : sequence of int, optional
        Frames at which the take begins anew, but the phase is to go on.

    Returns
    -------
    ndarray of shape (channels, frames)
    """
    hop, whole = path.frames.hop, _without_jumps(path, joins)
    phase = whole.phase
    if wander is not None:
        phase = phase + _error(path, wander)
    expected = replace(whole, phase=phase).expected()
    if wander is not None:
        expected = replace(expected, shape=path.model.drawn(wander))
    lines = [(path.frames, expected)]
    if faint and (rest := path.model.faint) is not None:
        frames_there = replace(path.frames, harmonics=rest.harmonics)
        lines.append((frames_there, replace(expected, shape=rest.amplitudes)))
    count = path.frames.periods(frames)
    parts = [np.empty((path.levels[1].shape[0], 0))]
    for first in range(0, count, _CHUNK_PERIODS):
        size = min(_CHUNK_PERIODS, count - first)
        # One period more on either side, so that the sound joins.
        heard = _level(path, np.arange(first - 1, first + size + 1))
        sounds = [
            one.sound(hum.hum_at(one, first - 1, size + 2) * heard[..., None]) for one, hum in lines
        ]
        start = hop - hop // 2
        parts.append(np.sum(sounds, axis=0)[..., start : start + size * hop])
    result: Samples = np.concatenate(parts, axis=-1)[:, :frames]
    return result


def _without_jumps(path: Followed, joins: Sequence[int]) -> Followed:
    """Let the phase go on at some jumps, and the frequency with it, to where it ended."""
    jumps = [one for one in path.jumps if one in joins]
    if not jumps:
        return path
    steps = np.diff(path.phase, prepend=path.phase[0])
    for cell in (first_cell(jump / path.frames.hop) for jump in jumps):
        before, after = steps[max(cell - 5, 1) : cell - 1], steps[cell + 2 : cell + 6]
        steady = before.mean() if before.size else 0.0
        steps[max(cell - 1, 0) : cell + 2] = steady
        steps[cell + 2 :] += steady - after.mean() if after.size else 0.0
    kept = tuple(one for one in path.jumps if one not in jumps)
    phase = path.phase[0] + np.cumsum(steps)
    # What filters do at the end depends on the phase there.
    phase += np.linspace(0.0, np.angle(np.exp(1j * (path.phase[-1] - phase[-1]))), phase.size)
    return replace(path, phase=phase, jumps=kept)


def _level(path: Followed, periods: NDArray[np.int_]) -> Reals:
    """Level of the hum in some periods, shape (channels, periods): at breaks it changes at once."""
    bins, hop = path.levels[1].clip(min=0.0), path.frames.hop
    edges = edges_of(path.breaks, hop, path.periods.count)
    spot = (periods + 0.5) / BIN - 0.5
    last = bins.shape[1] - 1
    sides: list[Reals] = []
    for low, high in itertools.pairwise(edges):
        # Of the stretch's own bins only: those whose middle lies in it.
        least, most = -(-(2 * low - BIN) // (2 * BIN)), (2 * high - BIN - 1) // (2 * BIN)
        at = np.clip(spot, min(max(least, 0), last), min(max(most, least, 0), last))
        left = np.minimum(at.astype(int), max(last - 1, 0))
        right = np.minimum(left + 1, last)
        sides.append(bins[:, left] + (at - left) * (bins[:, right] - bins[:, left]))
    level = sides[0]
    cuts = {
        round(cut / hop): (cut, fade) for cut, fade in zip(path.breaks, path.fades, strict=True)
    }
    for edge, side in zip(edges[1:-1], sides[1:], strict=True):
        cut, fade = cuts[edge]
        level += faded(periods * hop + hop // 2 - cut, fade) * (side - level)
    return level


def _error(path: Followed, rng: np.random.Generator) -> Reals:
    """Draw how far the true phase may lie from that which was found."""
    level = path.in_cells.clip(min=0.0)
    jumps = sorted({first_cell(jump / path.frames.hop) for jump in path.jumps})
    shape = path.model.amplitudes
    # The noise of the silence is in that of the take, and a line's own unsteadiness is a bound on
    # trust, not to be found in most recordings.
    added = UNSTEADY * np.abs(shape) ** 2 + path.model.noise
    seen = np.maximum(path.noise - added[:, None], 0.001 * path.noise)
    return drawn_error(path.cells, shape, level, path.noise, path.phase, jumps, seen, rng)
