"""Mains lines seen through a take, and the path of the mains phase along one known waveform."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.measure.best_path import Moves, best_path
from cleanchain.operators.line_frames import Amplitudes, LineFrames

Reals = NDArray[np.float64]

#: Frames (mains periods) that are averaged before the phase is looked at, and their stride.
_AVERAGE, STRIDE = 24, 8
#: Phases that are tried at each time, and how far the phase may move from one to the next.
_PHASES, _MOST_STEPS = 256, 6
_STEP_COST, _JUMP_COST = 0.125, 12.0
#: Times that are worked on together.
_SOME = 512
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


def averages_of(source: Source, frames: LineFrames) -> NDArray[np.complex64]:
    """Return amplitudes averaged over half a second or so, shape (channels, times, harmonics).

    Frame k is centred on k mains periods from the start; beyond the ends lies silence. There is a
    time each `STRIDE` frames; near the ends frames are mirrored.
    """
    count = frame_count(source, frames)
    times = -(-count // STRIDE)
    out = np.empty((source.channels, times, len(frames.harmonics)), dtype=np.complex64)
    weights = np.hanning(_AVERAGE + 3)[1:-1]
    weights /= weights.sum()
    step = max((1 << 18) // (frames.hop * STRIDE), 4)
    for some in range(0, times, step):
        last_time = min(some + step, times)
        wanted = np.arange(
            some * STRIDE - _AVERAGE // 2, (last_time - 1) * STRIDE + _AVERAGE // 2 + 1
        )
        first, last = max(int(wanted[0]), 0), min(int(wanted[-1]) + 1, count)
        seen = _amplitudes(source, frames, first, last)
        windows = np.lib.stride_tricks.sliding_window_view(
            seen[:, _mirrored(wanted, count) - first], _AVERAGE + 1, axis=1
        )
        out[:, some:last_time] = windows[:, ::STRIDE] @ weights
    return out


def _amplitudes(source: Source, frames: LineFrames, first: int, last: int) -> Amplitudes:
    """Return the amplitudes of frames first <= k < last."""
    start, stop = (first - 1) * frames.hop, last * frames.hop
    low, high = max(start, 0), min(stop, source.frames)
    samples = np.pad(source.read(low, high), ((0, 0), (low - start, stop - high)))
    return frames.amplitudes(samples, first)


def _mirrored(numbers: NDArray[np.int_], count: int) -> NDArray[np.int_]:
    """Mirror numbers at the first and the last of so many, as often as needed."""
    last = max(count - 1, 1)
    mirrored: NDArray[np.int_] = np.minimum(last - np.abs(numbers % (2 * last) - last), count - 1)
    return mirrored


def follow_phase(averaged: NDArray[np.complexfloating], model: LinesModel) -> Reals:
    """Find the path of the mains phase that fits best, robustly, in radians.

    Parameters
    ----------
    averaged : ndarray of complex, shape (channels, times, harmonics)
        See `averages_of`; the harmonics are the model's.
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

    def votes(first: int, last: int) -> NDArray[np.float32]:
        cost = np.zeros((last - first, _PHASES))
        for channel, seen in enumerate(averaged[:, first:last]):
            for index in range(len(model.harmonics)):
                expected = model.amplitudes[channel, index] * turns[:, index]
                spread = max(float(model.spread[channel, index]), 0.02 * abs(expected[0]), 1e-12)
                away = np.abs(seen[:, index, None] - expected) / spread
                cost += np.log1p(away**2)
        return -cost.astype(np.float32)

    moves = Moves(_MOST_STEPS, _STEP_COST, _JUMP_COST)
    _, path, _, _ = best_path([votes], averaged.shape[1], moves)
    return _refine(averaged, model, np.unwrap(grid[path]))


def _refine(averaged: NDArray[np.complexfloating], model: LinesModel, phase: Reals) -> Reals:
    """Move the phase to the weighted least-squares fit of all harmonics, a few times."""
    harmonics = np.array(model.harmonics)
    wanted = model.amplitudes[:, None, :]
    spread = np.maximum(model.spread, 1e-12)[:, None, :]
    for _ in range(6):
        slope, curve = np.empty(phase.size), np.empty(phase.size)
        for low in range(0, phase.size, _SOME):
            some = slice(low, low + _SOME)
            still = turned(averaged[:, some], phase[some], model)
            weight = 1 / (spread**2 + np.abs(still - wanted) ** 2)
            slope[some] = (weight * harmonics * (still * wanted.conj()).imag).sum(axis=(0, 2))
            curve[some] = (weight * (harmonics * np.abs(wanted)) ** 2).sum(axis=(0, 2))
        phase = phase + _smooth(slope, 1) / np.maximum(_smooth(curve, 1), 1e-300)
    return phase


def _smooth(values: Reals, half: int) -> Reals:
    weights = np.hanning(2 * half + 3)[1:-1]
    padded = np.pad(values, half, mode="reflect" if values.size > half else "edge")
    result: Reals = np.convolve(padded, weights / weights.sum(), mode="valid")
    return result


def turned(seen: NDArray[np.complexfloating], phase: Reals, model: LinesModel) -> Amplitudes:
    """Return amplitudes as they would be at a mains phase of zero."""
    turn = np.exp(-1j * np.multiply.outer(phase, model.harmonics))
    still: Amplitudes = np.multiply(seen, turn, dtype=np.complex128)
    return still


def presence(averaged: NDArray[np.complexfloating], model: LinesModel) -> Reals:
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


def spread_hz(phase: Reals, frames: LineFrames) -> float:
    """Return the standard deviation of the mains frequency, seen over two seconds, Hz."""
    step_s = STRIDE * frames.hop / frames.rate_hz
    width = max(round(2.0 / step_s), 1)
    if phase.size <= width:
        return 0.0
    return float(np.std((phase[width:] - phase[:-width]) / (2 * np.pi * width * step_s)))
