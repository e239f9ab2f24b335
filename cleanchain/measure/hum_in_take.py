"""The waveform of a hum and the path of its phase, learned from a take in which notes sound."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.measure.mains import NOMINAL_HZ, Candidate
from cleanchain.operators.line_frames import Amplitudes, LineFrames

Reals = NDArray[np.float64]

#: Frames (mains periods) that are averaged before the phase is looked at, and their stride.
_AVERAGE, STRIDE = 24, 8
#: Phases that are tried at each time, and how far the phase may move from one to the next.
_PHASES, _MOST_STEPS = 256, 6
_JUMP_COST = 12.0
#: Phases nearer than this to the usual one are usual, rad; chance puts a sixth of the time there.
_IN_PHASE_RAD = 0.5
#: Share of the time that a harmonic must keep its phase, and one of them its level too in a take.
_LOCKED_SHARE, _STEADY_SHARE = 0.4, 0.3
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
#: Lines from which the search for a common phase is begun.
_STARTS = 4


@dataclass(frozen=True, eq=False)
class LinesModel:
    """The waveform of a hum that was learned among notes.

    Parameters
    ----------
    mains_hz : float
        Mean mains frequency of the recording it was learned from.
    harmonics : tuple of int
        Harmonics that are there.
    amplitudes : ndarray of complex, shape (channels, harmonics)
        Their amplitude and phase, for a mains phase of zero.
    spread : ndarray of shape (channels, harmonics)
        Standard deviation of one averaged frame around its amplitude.
    sd : ndarray of shape (channels, harmonics)
        Standard deviation of the amplitudes.
    """

    mains_hz: float
    harmonics: tuple[int, ...]
    amplitudes: Amplitudes
    spread: Reals
    sd: Reals

    def keep(self, chosen: NDArray[np.bool_]) -> LinesModel:
        """Return the model with some of its harmonics."""
        return replace(
            self,
            harmonics=tuple(h for h, good in zip(self.harmonics, chosen, strict=True) if good),
            amplitudes=self.amplitudes[:, chosen],
            spread=self.spread[:, chosen],
            sd=self.sd[:, chosen],
        )


def amplitudes_of(source: Source, frames: LineFrames) -> Amplitudes:
    """Return the amplitudes of all frames of a source, (channels, frames, harmonics).

    Frame k is centred on k mains periods from the start; beyond the ends lies silence.
    """
    count = frame_count(source, frames)
    shape = (source.channels, count, len(frames.harmonics))
    out: Amplitudes = np.empty(shape, dtype=np.complex64)
    step = max((1 << 18) // frames.hop, 1)
    for first in range(0, count, step):
        last = min(first + step, count)
        start, stop = (first - 1) * frames.hop, last * frames.hop
        low, high = max(start, 0), min(stop, source.frames)
        samples = np.pad(source.read(low, high), ((0, 0), (low - start, stop - high)))
        out[:, first:last] = frames.amplitudes(samples, first)
    return out


def average(amplitudes: Amplitudes) -> Amplitudes:
    """Average over half a second or so, a value each 8 periods, shape (channels, times, harm.)."""
    half = _AVERAGE // 2
    weights = np.hanning(_AVERAGE + 3)[1:-1]
    weights /= weights.sum()
    padded = np.pad(amplitudes, ((0, 0), (half, half), (0, 0)), mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, _AVERAGE + 1, axis=1)
    result: Amplitudes = windows[:, ::STRIDE] @ weights
    return result


def follow_phase(averaged: Amplitudes, model: LinesModel) -> Reals:
    """Find the path of the mains phase that fits best, robustly, in radians.

    Parameters
    ----------
    averaged : ndarray of complex, shape (channels, times, harmonics)
        See `average`; the harmonics are the model's.
    model : LinesModel
        The waveform.

    Returns
    -------
    ndarray of shape (times,)

    Notes
    -----
    The likelihood of each of 256 phases is that of Cauchy-distributed deviations, so that a note
    on a harmonic does not pull it; the path is that of least cost (Viterbi 1967), in which the
    phase moves slowly or, at a price, jumps. It is then refined between the phases.
    """
    grid = 2 * np.pi * np.arange(_PHASES) / _PHASES
    turns = np.exp(1j * np.multiply.outer(grid, model.harmonics))  # (phases, harmonics)
    cost = np.zeros((averaged.shape[1], _PHASES))
    for channel, seen in enumerate(averaged):
        for index in range(len(model.harmonics)):
            expected = model.amplitudes[channel, index] * turns[:, index]
            spread = max(float(model.spread[channel, index]), 0.02 * abs(expected[0]), 1e-12)
            away = np.abs(seen[:, index, None] - expected) / spread
            cost += np.log1p(away**2)
    return _refine(averaged, model, np.unwrap(grid[_cheapest_path(cost)]))


def _cheapest_path(cost: Reals) -> NDArray[np.int_]:
    """Path through (times, phases) of least cost, phases going round."""
    times, phases = cost.shape
    moves = np.arange(-_MOST_STEPS, _MOST_STEPS + 1)
    price = 0.5 * (moves / 2.0) ** 2
    total = cost[0].copy()
    came = np.empty((times, phases), dtype=np.int16)
    index = np.arange(phases)
    origins = (index - moves[:, None]) % phases
    for time in range(1, times):
        options = total[origins] + price[:, None]
        best = np.argmin(options, axis=0)
        lowest = options[best, index]
        came[time] = origins[best, index]
        jump = int(np.argmin(total))
        jumps = lowest > total[jump] + _JUMP_COST
        lowest[jumps] = total[jump] + _JUMP_COST
        came[time, jumps] = jump
        total = lowest + cost[time]
    path = np.empty(times, dtype=int)
    path[-1] = int(np.argmin(total))
    for time in range(times - 1, 0, -1):
        path[time - 1] = came[time, path[time]]
    return path


def _refine(averaged: Amplitudes, model: LinesModel, phase: Reals) -> Reals:
    """Move the phase to the weighted least-squares fit of all harmonics, a few times."""
    harmonics = np.array(model.harmonics)
    for _ in range(6):
        still = turned(averaged, phase, model)
        wanted = model.amplitudes[:, None, :]
        spread = np.maximum(model.spread, 1e-12)[:, None, :]
        weight = 1 / (spread**2 + np.abs(still - wanted) ** 2)
        slope = (weight * harmonics * (still * wanted.conj()).imag).sum(axis=(0, 2))
        curve = (weight * (harmonics * np.abs(wanted)) ** 2).sum(axis=(0, 2))
        phase = phase + _smooth(slope, 1) / np.maximum(_smooth(curve, 1), 1e-300)
    return phase


def _smooth(values: Reals, half: int) -> Reals:
    weights = np.hanning(2 * half + 3)[1:-1]
    padded = np.pad(values, half, mode="reflect" if values.size > half else "edge")
    result: Reals = np.convolve(padded, weights / weights.sum(), mode="valid")
    return result


def learn_waveform(
    averaged: Amplitudes, phase: Reals, model: LinesModel, level: Reals | None = None
) -> LinesModel:
    """Learn amplitude and phase of each harmonic once the mains phase is known.

    Only the times count at which a harmonic has its usual phase; of their values the amplitude is
    the point with the least sum of distances (the geometric median; Weiszfeld 1937, from memory).
    Notes that sound on a line for part of the time hardly move it. Where the level of the hum is
    known to change, amplitudes are taken relative to it.
    """
    still = turned(averaged, phase, model)
    locked = _in_phase(still)
    if level is not None:
        still = still / np.maximum(level, _LOW_LEVEL)[:, None]
        locked &= (level >= _LOW_LEVEL)[:, None]
    centre = _masked_mean(still, locked)
    least = 1e-3 * _masked_median(np.abs(still - centre[:, None]), locked)[:, None] + 1e-15
    for _ in range(30):
        weight = locked / np.maximum(np.abs(still - centre[:, None]), least)
        centre = (weight * still).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-300)
    # Of a complex Gaussian, the median distance is 1.18 standard deviations of one part.
    spread = _masked_median(np.abs(still - centre[:, None]), locked) / 1.177
    independent = np.maximum(locked.sum(axis=1) * STRIDE / (0.75 * _AVERAGE), 1.0)
    return replace(model, amplitudes=centre, spread=spread, sd=1.25 * spread / np.sqrt(independent))


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


def locked_share(averaged: Amplitudes, phase: Reals, model: LinesModel) -> Reals:
    """Return the share of the time in which each harmonic keeps its phase, (harmonics,)."""
    share: Reals = _in_phase(turned(averaged, phase, model)).mean(axis=1).max(axis=0)
    return share


def steady_share(averaged: Amplitudes, phase: Reals, model: LinesModel) -> Reals:
    """Return the share of the time in which each harmonic keeps level and phase, (harmonics,)."""
    away = np.abs(turned(averaged, phase, model) - model.amplitudes[:, None])
    kept = away < _STEADY_WITHIN * np.abs(model.amplitudes)[:, None]
    share: Reals = kept.mean(axis=1).max(axis=0)
    return share


def turned(seen: Amplitudes, phase: Reals, model: LinesModel) -> Amplitudes:
    """Return amplitudes as they would be at a mains phase of zero."""
    still: Amplitudes = seen * np.exp(-1j * np.multiply.outer(phase, model.harmonics))
    return still


def expected_levels(seen: Amplitudes, phase: Reals, model: LinesModel) -> Reals:
    """Level of the hum relative to its waveform at each time: a weighted running median.

    Each harmonic votes with its part in phase with the waveform, weighed by how well it stands
    out of its own spread; notes on a few harmonics are outvoted.
    """
    still = turned(seen, phase, model)
    size = np.abs(model.amplitudes) ** 2
    votes = (still * model.amplitudes.conj()[:, None]).real / np.maximum(size, 1e-300)[:, None]
    say = np.sqrt(size) / np.maximum(model.spread, 1e-12)
    flat = np.moveaxis(votes, 1, 0).reshape(votes.shape[1], -1)
    weights = np.minimum(say, 30.0).ravel()
    width = 2 * _LEVEL_TIMES + 1
    padded = np.pad(flat, ((_LEVEL_TIMES, _LEVEL_TIMES), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width, axis=0)
    level = np.empty(flat.shape[0])
    for start in range(0, flat.shape[0], 512):
        part = windows[start : start + 512].reshape(-1, flat.shape[1] * width)
        level[start : start + 512] = _weighted_median(part, np.repeat(weights, width))
    return np.clip(level, 0.0, _HIGHEST_LEVEL)


def _weighted_median(rows: Reals, weights: Reals) -> Reals:
    order = np.argsort(rows, axis=1)
    total = np.cumsum(weights[order], axis=1)
    at = np.argmax(total >= 0.5 * total[:, -1:], axis=1)
    median: Reals = np.take_along_axis(rows, np.take_along_axis(order, at[:, None], 1), 1)[:, 0]
    return median


def presence(averaged: Amplitudes, model: LinesModel) -> Reals:
    """How much of the hum is there at each time, 0 to 1, shape (times,)."""
    size = np.abs(model.amplitudes)
    seen = (np.abs(averaged) * size[:, None]).sum(axis=(0, 2)) / (size**2).sum()
    part: Reals = np.clip(seen, 0.0, 1.0)
    return part


def mean_offset_hz(phase: Reals, frames: LineFrames, weight: Reals) -> float:
    """Mean frequency of a phase path away from that of the frames, Hz, by weighted regression."""
    if phase.size < 2:
        return 0.0
    slope = float(np.polyfit(np.arange(phase.size), phase, 1, w=weight + 1e-6)[0])
    return slope / (2 * np.pi) * frames.rate_hz / (STRIDE * frames.hop)


def best_tones(averaged: Amplitudes, guess: Reals, count: int) -> list[tuple[int, float]]:
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
    spectra = np.abs(np.fft.fft(averaged * np.hanning(times + 2)[1:-1, None], size, axis=1))
    power = (spectra**2).sum(axis=0)
    offsets = np.fft.fftfreq(size)
    power[np.abs(offsets)[:, None] > guess] = 0.0
    energy = (np.abs(averaged) ** 2).sum(axis=(0, 1))
    merit = power.max(axis=0) / np.maximum(energy, 1e-300) / times * (energy > 0)
    best = np.argsort(-merit)[:count]
    return [(int(line), float(offsets[np.argmax(power[:, line])])) for line in best]


def learn(source: Source, candidate: Candidate) -> LinesModel | None:
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
    LinesModel or None
        None where there is no hum.
    """
    harmonics = tuple(sorted(candidate.lines))
    frames = LineFrames(source.rate_hz, candidate.mains_hz, harmonics)
    seen = average(amplitudes_of(source, frames))
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
        if _is_hum(kept):
            strength = np.abs(kept.amplitudes) / np.maximum(kept.sd, 1e-15)
            merit = float(np.log1p(strength.max(axis=0)).sum())
            found.append((merit, kept))
    return max(found, key=lambda pair: pair[0])[1] if found else None


def _is_there(seen: Amplitudes, phase: Reals, model: LinesModel) -> NDArray[np.bool_]:
    """Mark the harmonics that belong to the hum; one of them must also be steady."""
    strength = (np.abs(model.amplitudes) / np.maximum(model.sd, 1e-15)).max(axis=0)
    there: NDArray[np.bool_] = strength > _THERE_SD
    there &= locked_share(seen, phase, model) > _LOCKED_SHARE
    if not (steady_share(seen, phase, model)[there] > _STEADY_SHARE).any():
        there[:] = False
    return there


def _is_hum(model: LinesModel) -> bool:
    """Whether lines make a hum: the fundamental, or at least three odd ones of the first twelve.

    They must be odd: 100, 200 and 300 Hz are a note's partials as well. The mains must also lie
    within half a hertz of nominal, where interconnected grids stay (EN 50160: +-1 %, from
    memory): a held note further away would pass for a hum.
    """
    if min(abs(model.mains_hz - nominal) for nominal in NOMINAL_HZ) > _NEAR_HZ:
        return False
    odd = sum(harmonic <= 12 and harmonic % 2 == 1 for harmonic in model.harmonics)
    return 1 in model.harmonics or odd >= 3


def frame_count(source: Source, frames: LineFrames) -> int:
    """Return how many frames a source is cut into."""
    return -(-source.frames // frames.hop) + 1


def to_frames(values: Reals, source: Source, frames: LineFrames, axis: int = 0) -> Reals:
    """Interpolate values from the times of `average` to every frame, ends held."""
    count = frame_count(source, frames)
    at = np.arange(count) / STRIDE
    last = values.shape[axis] - 1
    low = np.clip(np.floor(at).astype(int), 0, max(last - 1, 0))
    part = np.clip(at - low, 0.0, 1.0)
    shape = [1] * values.ndim
    shape[axis] = count
    part = part.reshape(shape)
    lower, upper = np.take(values, low, axis), np.take(values, np.minimum(low + 1, last), axis)
    result: Reals = lower + part * (upper - lower)
    return result


def spread_hz(phase: Reals, frames: LineFrames) -> float:
    """Return the standard deviation of the mains frequency, seen over two seconds, Hz."""
    step_s = STRIDE * frames.hop / frames.rate_hz
    width = max(round(2.0 / step_s), 1)
    if phase.size <= width:
        return 0.0
    return float(np.std((phase[width:] - phase[:-width]) / (2 * np.pi * width * step_s)))
