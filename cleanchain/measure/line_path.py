"""Mains lines seen through a take, and the path of the mains phase along one known waveform."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.operators.line_frames import Amplitudes, LineFrames

Reals = NDArray[np.float64]

#: Frames (mains periods) that are averaged before the phase is looked at, and their stride.
_AVERAGE, STRIDE = 24, 8
#: Phases that are tried at each time, and how far the phase may move from one to the next.
_PHASES, _MOST_STEPS = 256, 6
_JUMP_COST = 12.0
#: Frames after which an average is a new one, as far as chance goes.
INDEPENDENT_FRAMES = 0.75 * _AVERAGE


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


def turned(seen: Amplitudes, phase: Reals, model: LinesModel) -> Amplitudes:
    """Return amplitudes as they would be at a mains phase of zero."""
    still: Amplitudes = seen * np.exp(-1j * np.multiply.outer(phase, model.harmonics))
    return still


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
