"""The waveform and the level of a hum, learned from a take in which notes sound."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.measure.line_path import (
    INDEPENDENT_FRAMES,
    STRIDE,
    LinesModel,
    averages_of,
    follow_phase,
    mean_offset_hz,
    presence,
    turned,
)
from cleanchain.measure.mains import NOMINAL_HZ, Candidate
from cleanchain.operators.line_frames import Amplitudes, LineFrames

Reals = NDArray[np.float64]
Averages = NDArray[np.complex64]

#: Phases nearer than this to the usual one are usual, rad; chance puts a sixth of the time there.
_IN_PHASE_RAD = 0.5
#: Share of the time that a harmonic must keep its phase, and one of them its level too in a take.
_LOCKED_SHARE, _STEADY_SHARE = 0.4, 0.3
#: Where one line keeps its phase so well, one that keeps it for less than the second share of the
#: time, and its level for less than the third, is doubtful.
_WELL_LOCKED, _DOUBTFUL_LOCKED, _DOUBTFUL_STEADY = 0.75, 0.6, 0.25
#: Harmonics from which on a line is not so many times louder than the loudest below it, or than the
#: loudest within an octave where there are so many others.
_HIGHER, _FAR_LOUDER, _AROUND = 5, 3.2, 2
#: Where fewer lines than this keep to each other, one must keep its phase well.
_FEW = 3
#: Within this part of a line's amplitude it has kept level and phase.
_STEADY_WITHIN = 0.4
#: A harmonic is there when its amplitude is this many standard deviations from zero.
_THERE_SD = 5.0
#: How far the candidate's frequency may be off, Hz.
_OFFSET_HZ = 0.04
#: Times over which the level is taken, before and after, and the highest level of a hum.
_LEVEL_TIMES, _HIGHEST_LEVEL = 4, 2.0
#: Below this level a time says little of the waveform.
_LOW_LEVEL = 0.4
#: How far from nominal the mains may be where notes sound, Hz.
_NEAR_HZ = 0.5
#: Numbers, and times, that are worked on together.
_TOGETHER, _TIMES = 1 << 16, 512
#: Lines from which the search for a common phase is begun.
_STARTS = 4


def learn_waveform(
    averaged: Averages, phase: Reals, model: LinesModel, level: Reals | None = None
) -> LinesModel:
    """Learn amplitude and phase of each harmonic once the mains phase is known.

    Only the times count at which a harmonic has its usual phase; of their values the amplitude is
    the point with the least sum of distances (the geometric median; Weiszfeld 1937, from memory).
    Notes that sound on a line for part of the time hardly move it. Where the level of the hum is
    known to change, amplitudes are taken relative to it.
    """
    shape = averaged.shape[0], averaged.shape[2]
    amplitudes, spread, sd = np.empty(shape, dtype=complex), np.empty(shape), np.empty(shape)
    for some in _some_lines(averaged):
        still = turned(averaged[..., some], phase, model.keep(_mark(some, model)))
        locked = _in_phase(still)
        if level is not None:
            still = still / np.maximum(level, _LOW_LEVEL)[:, None]
            locked &= (level >= _LOW_LEVEL)[:, None]
        centre = _masked_mean(still, locked)
        least = 1e-3 * _masked_median(np.abs(still - centre[:, None]), locked)[:, None] + 1e-15
        for _ in range(30):
            weight = locked / np.maximum(np.abs(still - centre[:, None]), least)
            centre = (weight * still).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-300)
        amplitudes[:, some] = centre
        # Of a complex Gaussian, the median distance is 1.18 standard deviations of one part.
        spread[:, some] = _masked_median(np.abs(still - centre[:, None]), locked) / 1.177
        independent = np.maximum(locked.sum(axis=1) * STRIDE / INDEPENDENT_FRAMES, 1.0)
        sd[:, some] = 1.25 * spread[:, some] / np.sqrt(independent)
    return replace(model, amplitudes=amplitudes, spread=spread, sd=sd)


def _some_lines(averaged: Averages) -> Iterator[slice]:
    """Yield slices of harmonics, few enough to work on together: of a long take one by one."""
    channels, times, lines = averaged.shape
    step = max(_TOGETHER // (channels * times), 1)
    for first in range(0, lines, step):
        yield slice(first, min(first + step, lines))


def _mark(some: slice, model: LinesModel) -> NDArray[np.bool_]:
    """Mark the harmonics of a slice."""
    marked = np.zeros(len(model.harmonics), dtype=bool)
    marked[some] = True
    return marked


def _in_phase(still: Amplitudes) -> NDArray[np.bool_]:
    """Mark the times at which each harmonic has its usual phase, same shape."""
    unit = still / np.maximum(np.abs(still), 1e-300)
    directions = np.exp(2j * np.pi * np.arange(48) / 48)
    near = np.cos(_IN_PHASE_RAD)
    votes = np.array([((unit * d.conj()).real > near).sum(axis=1) for d in directions])
    usual = directions[np.argmax(votes, axis=0)][:, None]
    for _ in range(3):
        inside = (unit * usual.conj()).real > near
        mean = (inside * unit).sum(axis=1, keepdims=True)
        usual = np.where(np.abs(mean) > 0, mean / np.maximum(np.abs(mean), 1e-300), usual)
    locked: NDArray[np.bool_] = (unit * usual.conj()).real > near
    return locked


def _masked_mean(values: Amplitudes, mask: NDArray[np.bool_]) -> Amplitudes:
    mean: Amplitudes = (values * mask).sum(axis=1) / np.maximum(mask.sum(axis=1), 1)
    return mean


def _masked_median(values: Reals, mask: NDArray[np.bool_]) -> Reals:
    ordered = np.sort(np.where(mask, values, np.inf), axis=1)
    middle = np.maximum((mask.sum(axis=1) - 1) // 2, 0)
    median: Reals = np.take_along_axis(ordered, middle[:, None], 1)[:, 0]
    return np.where(np.isfinite(median), median, 0.0)


def locked_share(averaged: Averages, phase: Reals, model: LinesModel) -> Reals:
    """Return the share of the time in which each harmonic keeps its phase, (harmonics,)."""
    share = np.empty(len(model.harmonics))
    for some in _some_lines(averaged):
        still = turned(averaged[..., some], phase, model.keep(_mark(some, model)))
        share[some] = _in_phase(still).mean(axis=1).max(axis=0)
    return share


def steady_share(averaged: Averages, phase: Reals, model: LinesModel) -> Reals:
    """Return the share of the time in which each harmonic keeps level and phase, (harmonics,)."""
    share = np.empty(len(model.harmonics))
    for some in _some_lines(averaged):
        part = model.keep(_mark(some, model))
        away = np.abs(turned(averaged[..., some], phase, part) - part.amplitudes[:, None])
        kept = away < _STEADY_WITHIN * np.abs(part.amplitudes)[:, None]
        share[some] = kept.mean(axis=1).max(axis=0)
    return share


def behaves(seen: Averages, phase: Reals, model: LinesModel) -> NDArray[np.bool_]:
    """Mark the lines that keep phase or level as a hum does; the others may be notes near it.

    Only where some line keeps its phase well are the others held against it.

    Parameters
    ----------
    seen : ndarray of complex, shape (channels, times, harmonics)
        See `cleanchain.measure.line_path.averages_of`.
    phase : ndarray of shape (times,)
        Path of the mains phase, rad.
    model : LinesModel
        The waveform.

    Returns
    -------
    ndarray of bool, shape (harmonics,)
    """
    locked, steady = locked_share(seen, phase, model), steady_share(seen, phase, model)
    if locked.max(initial=0.0) < _WELL_LOCKED:
        return np.ones(locked.size, dtype=bool)
    good: NDArray[np.bool_] = (locked > _DOUBTFUL_LOCKED) | (steady > _DOUBTFUL_STEADY)
    return good


def outgrown(model: LinesModel) -> NDArray[np.bool_]:
    """Mark lines far louder than all below or around them, and their multiples, shape (harmonics,).

    A path that jumps by an eleventh of a turn now and then follows a note on the eleventh harmonic,
    the 22nd and so on, and the hum on the others as well.
    """
    level = np.abs(model.amplitudes).max(axis=0)
    marked = np.zeros(level.size, dtype=bool)
    numbers, notes = np.array(model.harmonics), list[int]()
    for line, harmonic in enumerate(model.harmonics):
        others = ~marked & (numbers % harmonic != 0)
        around = others & (2 * numbers >= harmonic) & (numbers <= 2 * harmonic)
        loudest = level[others & (numbers < harmonic)].max(initial=0.0)
        if around.sum() >= _AROUND:
            loudest = min(loudest, level[around].max())
        if harmonic >= _HIGHER and 0.0 < _FAR_LOUDER * loudest < level[line]:
            notes.append(harmonic)
        marked[line] = any(harmonic % note == 0 for note in notes)
    return marked


def expected_levels(seen: Averages, phase: Reals, model: LinesModel) -> Reals:
    """Level of the hum relative to its waveform at each time: a weighted running median.

    Each harmonic votes with its part in phase with the waveform, weighed by how well it stands
    out of its own spread; notes on a few harmonics are outvoted.
    """
    size = np.abs(model.amplitudes) ** 2
    say = np.sqrt(size) / np.maximum(model.spread, 1e-12)
    width = 2 * _LEVEL_TIMES + 1
    weights = np.repeat(np.minimum(say, 30.0).ravel(), width)
    level = np.empty(phase.size)
    for start in range(0, phase.size, _TIMES):
        stop = min(start + _TIMES, phase.size)
        around = np.clip(np.arange(start - _LEVEL_TIMES, stop + _LEVEL_TIMES), 0, phase.size - 1)
        still = turned(seen[:, around], phase[around], model)
        votes = (still * model.amplitudes.conj()[:, None]).real / np.maximum(size, 1e-300)[:, None]
        flat = np.moveaxis(votes, 1, 0).reshape(around.size, -1)
        windows = np.lib.stride_tricks.sliding_window_view(flat, width, axis=0)
        level[start:stop] = _weighted_median(windows.reshape(stop - start, -1), weights)
    return np.clip(level, 0.0, _HIGHEST_LEVEL)


def _weighted_median(rows: Reals, weights: Reals) -> Reals:
    order = np.argsort(rows, axis=1)
    total = np.cumsum(weights[order], axis=1)
    at = np.argmax(total >= 0.5 * total[:, -1:], axis=1)
    median: Reals = np.take_along_axis(rows, np.take_along_axis(order, at[:, None], 1), 1)[:, 0]
    return median


def best_tones(averaged: Averages, guess: Reals, count: int) -> list[tuple[int, float]]:
    """Find the lines that are most like steady tones, and their offsets in cycles a step.

    Parameters
    ----------
    averaged : ndarray of complex, shape (channels, times, harmonics)
    guess : ndarray of shape (harmonics,)
        Largest offset that each line may have, in cycles a step.
    count : int
        How many lines to return.
    """
    times = averaged.shape[1]
    size = 1 << int(np.ceil(np.log2(8 * times)))
    window = np.hanning(times + 2)[1:-1].astype(np.float32)
    offsets = np.fft.fftfreq(size)
    highest, at = np.zeros(guess.size), np.zeros(guess.size)
    for line, most in enumerate(guess):
        spectra = np.fft.fft(averaged[..., line] * window, size, axis=1)
        near = np.flatnonzero(np.abs(offsets) <= most)
        power = (np.abs(spectra[:, near]) ** 2).sum(axis=0)
        highest[line], at[line] = power.max(), offsets[near[power.argmax()]]
    energy = (np.abs(averaged) ** 2).sum(axis=(0, 1))
    merit = highest / np.maximum(energy, 1e-300) / times * (energy > 0)
    return [(int(line), float(at[line])) for line in np.argsort(-merit)[:count]]


def learn(source: Source, candidate: Candidate) -> tuple[LinesModel, str] | None:
    """Learn the hum of a recording whose comb lies near a candidate.

    A line must keep its phase, and one of them its level too, for a third of the time, locked to
    the other lines, to be taken for hum.

    Parameters
    ----------
    source : Source
        A take.
    candidate : Candidate
        See `cleanchain.measure.mains.find_candidates`.

    Returns
    -------
    model : LinesModel
        The lines.
    doubt : str
        Why they may as well be those of a note; empty for a hum.
    None where no lines keep to each other.
    """
    harmonics = tuple(sorted(candidate.lines))
    frames = LineFrames(source.rate_hz, candidate.mains_hz, harmonics)
    seen = averages_of(source, frames)
    step_s = STRIDE * frames.hop / source.rate_hz
    nothing = np.zeros((source.channels, len(harmonics)))
    blank = LinesModel(candidate.mains_hz, harmonics, nothing.astype(complex), nothing, nothing)
    found = []
    for line, offset in best_tones(seen, np.array(harmonics) * _OFFSET_HZ * step_s, _STARTS):
        phase = 2 * np.pi * offset * np.arange(seen.shape[1]) / harmonics[line]
        model = learn_waveform(seen, phase, blank)
        chosen = np.arange(len(harmonics)) == line
        for _ in range(3):
            phase = follow_phase(seen[..., chosen], model.keep(chosen))
            model = learn_waveform(seen, phase, model)
            chosen = _is_there(seen, phase, model)
            if not chosen.any():
                break
        if not chosen.any():
            continue
        kept = model.keep(chosen)
        level = expected_levels(seen[..., chosen], phase, kept)
        kept = learn_waveform(seen[..., chosen], phase, kept, level)
        offset_hz = mean_offset_hz(phase, frames, presence(seen[..., chosen], kept))
        kept = replace(kept, mains_hz=candidate.mains_hz + offset_hz)
        strength = np.abs(kept.amplitudes) / np.maximum(kept.sd, 1e-15)
        merit = float(np.log1p(strength.max(axis=0)).sum())
        steadiest = float(locked_share(seen[..., chosen], phase, kept).max())
        found.append((merit, kept, _doubt(kept, steadiest)))
    if not found:
        return None
    _, model, doubt = max(found, key=lambda one: (not one[2], one[0]))
    return model, doubt


def _is_there(seen: Averages, phase: Reals, model: LinesModel) -> NDArray[np.bool_]:
    """Mark the harmonics that belong to the hum; one of them must also be steady."""
    strength = (np.abs(model.amplitudes) / np.maximum(model.sd, 1e-15)).max(axis=0)
    there: NDArray[np.bool_] = strength > _THERE_SD
    there &= locked_share(seen, phase, model) > _LOCKED_SHARE
    if not (steady_share(seen, phase, model)[there] > _STEADY_SHARE).any():
        there[:] = False
    return there


def _doubt(model: LinesModel, steadiest: float) -> str:
    """Say why lines may be no hum's: it has the fundamental, or three odd ones of the first twelve.

    Few lines must keep their phase well.

    They must be odd: 100, 200 and 300 Hz are a note's partials as well. The mains must also lie
    within half a hertz of nominal, where interconnected grids stay (EN 50160: +-1 %, from
    memory): a held note further away would pass for a hum.
    """
    if min(abs(model.mains_hz - nominal) for nominal in NOMINAL_HZ) > _NEAR_HZ:
        return f"not within {_NEAR_HZ:g} Hz of 50 or 60 Hz"
    if len(model.harmonics) < _FEW and steadiest < _WELL_LOCKED:
        return "for a part of the time only"
    odd = sum(harmonic <= 12 and harmonic % 2 == 1 for harmonic in model.harmonics)
    return "" if 1 in model.harmonics or odd >= 3 else "hardly any odd ones among them"
