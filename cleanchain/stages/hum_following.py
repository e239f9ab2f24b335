"""How the hum stage follows a known waveform through a take: level, trust, width, share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.fourier import fast_length_within, rfft
from cleanchain.measure import hum as learning
from cleanchain.measure.hum import HumModel
from cleanchain.operators.harmonics import Amplitudes, HarmonicFrames

Reals = NDArray[np.float64]

#: Half lengths that one factor of a harmonic is found from, s, the steadier the longer: with a
#: waveform known from a silence, and with one learned from the take itself.
_HALVES_S = {True: (2.4, 1.2, 0.6), False: (1.2, 1.2, 0.6)}


def followed(take: Source, model: HumModel) -> tuple[HarmonicFrames, Reals, Amplitudes] | None:
    """Follow the mains through a take.

    Returns
    -------
    frames : HarmonicFrames
        Centred on the take's own mean frequency.
    phase : ndarray of shape (times,)
        Path of the phase beyond the steady turn, rad, on the times of `learning.average`.
    seen : ndarray of complex, shape (channels, times, harmonics)
        The averaged amplitudes.
    """
    frames = HarmonicFrames(take.rate_hz, model.mains_hz, model.harmonics)
    for _ in range(2):
        seen = learning.average(learning.amplitudes_of(take, frames))
        phase = learning.follow_phase(seen, model)
        offset_hz = learning.mean_offset_hz(phase, frames, learning.presence(seen, model))
        if abs(offset_hz) < 0.02:
            break
        frames = replace(frames, mains_hz=frames.mains_hz + offset_hz)
    return frames, phase, seen


def trust(
    seen: Amplitudes,
    phase: Reals,
    level: Reals,
    model: HumModel,
    take: Source,
    frames: HarmonicFrames,
) -> NDArray[np.float32]:
    """Return the trust in each frame: one over its spread and its own deviation, squared.

    It needs a waveform known from a silence; one that was learned from the take is no judge of
    what in the take is hum.
    """
    away = (
        np.abs(learning.turned(seen, phase, model) - model.amplitudes[:, None] * level[:, None])
        ** 2
    )
    expected = np.abs(model.amplitudes)[:, None] ** 2
    spread = model.spread[:, None] ** 2 + 1e-4 * expected + 1e-24
    times = learning.to_frames(1 / (spread + away), take, frames, axis=1)
    # A harmonic's trust is relative: its largest is 1.
    relative: NDArray[np.float32] = (times / times.max(axis=1, keepdims=True)).astype(np.float32)
    return relative


def half_frames(
    seen: Amplitudes, phase: Reals, model: HumModel, frames: HarmonicFrames, sure: bool
) -> tuple[int, ...]:
    """Choose for each harmonic how long one factor holds: long, unless the line is wide.

    A line is wide when what lies 0.2 to 0.5 Hz (0.5 to 1 Hz) beside it stands 9 dB above what
    lies further out, as of a hum whose level is unsteady.
    """
    turned = learning.turned(seen, phase, model)
    times_hz = frames.rate_hz / (frames.hop * learning.STRIDE)
    count = turned.shape[1]
    spectrum = np.abs(np.fft.fft(turned * np.hanning(count + 2)[1:-1, None], axis=1)) ** 2
    hz = np.abs(np.fft.fftfreq(count, 1 / times_hz))
    power = spectrum.sum(axis=0)
    periods_hz = frames.rate_hz / frames.hop
    halves = []
    for index in range(len(model.harmonics)):
        far = _level(power[:, index], hz, 1.2, 2.4)
        choice = 0
        for wider, (low, high) in enumerate(((0.2, 0.5), (0.5, 1.0)), start=1):
            if _level(power[:, index], hz, low, high) > 8 * far > 0:
                choice = wider
        halves.append(max(round(_HALVES_S[sure][choice] * periods_hz), 2))
    return tuple(halves)


def _level(power: Reals, hz: Reals, low: float, high: float) -> float:
    inside = (hz >= low) & (hz < high)
    return float(np.median(power[inside])) if inside.any() else 0.0


def shares(take: Source, model: HumModel, frames: HarmonicFrames) -> Reals:
    """Part of each harmonic to subtract, so that its line ends at the floor around, not in a hole.

    The floor is the median power 3 to 6 Hz to either side over the first minute.
    """
    size = min(take.frames, 60 * take.rate_hz)
    size = fast_length_within(size)
    window = np.hanning(size)
    spectrum = rfft(take.read(0, size) * window)
    amplitude = np.abs(spectrum) * 2 / window.sum()
    bin_hz = take.rate_hz / size
    share = np.ones(model.amplitudes.shape)
    for index, harmonic in enumerate(model.harmonics):
        centre = harmonic * frames.mains_hz / bin_hz
        offsets = np.arange(int(3 / bin_hz), int(6 / bin_hz) + 1)
        around = np.concatenate([np.round(centre - offsets), np.round(centre + offsets)])
        beside = amplitude[:, np.clip(around.astype(int), 0, amplitude.shape[1] - 1)]
        floor = np.median(beside, axis=1)
        line = np.abs(model.amplitudes[:, index])
        share[:, index] = 1 - np.clip(floor / np.maximum(line, 1e-15), 0.0, 1.0)
    return share
