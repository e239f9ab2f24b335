"""How the hum stage works where no silence shows the hum alone: its waveform is the take's own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.fourier import fast_length_within
from cleanchain.measure import line_path
from cleanchain.measure.hum import HumModel, leak_of
from cleanchain.measure.hum_along import learn_along
from cleanchain.measure.hum_in_take import expected_levels
from cleanchain.measure.line_path import LinesModel
from cleanchain.operators.line_frames import LineFrames
from cleanchain.operators.line_projection import LineProjection
from cleanchain.stages.hum_followed import Followed
from cleanchain.stages.hum_following import follow

Reals = NDArray[np.float64]
Averages = NDArray[np.complex64]

#: Half lengths that one factor of a harmonic is found from, s, the steadier the longer.
_HALVES_S = (1.2, 1.2, 0.6)
#: Standard deviation of the mains frequency that lines among notes show, Hz.
_MAINS_SD_HZ = 0.01
#: Levels of the hum at which a cell says something of its waveform, and how many cells there must
#: be of them.
_LEVELS, _CELLS = (0.4, 2.5), 8


def lines_out(
    take: Source, model: LinesModel, frames: LineFrames, phase: Reals, seen: Averages
) -> LineProjection:
    """Return the operator that takes the lines of a followed hum out, down to what lies around."""
    level = expected_levels(seen, phase, model)
    return LineProjection(
        frames=frames,
        count=line_path.frame_count(take, frames),
        stride=line_path.STRIDE,
        phase=phase,
        level=level,
        shape=model.amplitudes,
        half_frames=half_frames(seen, phase, model, frames),
        share=shares(take, model, frames),
    )


def followed(take: Source, model: LinesModel) -> tuple[LineFrames, Reals, Averages]:
    """Follow the mains through a take.

    Returns
    -------
    frames : LineFrames
        Centred on the take's own mean frequency.
    phase : ndarray of shape (times,)
        Path of the phase beyond the steady turn, rad, on the times of `line_path.averages_of`.
    seen : ndarray of complex, shape (channels, times, harmonics)
        The averaged amplitudes.
    """
    frames = LineFrames(take.rate_hz, model.mains_hz, model.harmonics)
    for _ in range(2):
        seen = line_path.averages_of(take, frames)
        phase = line_path.follow_phase(seen, model)
        offset_hz = line_path.mean_offset_hz(phase, frames, line_path.presence(seen, model))
        if abs(offset_hz) < 0.02:
            break
        frames = replace(frames, mains_hz=frames.mains_hz + offset_hz)
    return frames, phase, seen


def half_frames(
    seen: Averages, phase: Reals, model: LinesModel, frames: LineFrames
) -> tuple[int, ...]:
    """Choose for each harmonic how long one factor holds: long, unless the line is wide.

    A line is wide when what lies 0.2 to 0.5 Hz (0.5 to 1 Hz) beside it stands 9 dB above what
    lies further out, as of a hum whose level is unsteady.
    """
    times_hz = frames.rate_hz / (frames.hop * line_path.STRIDE)
    count = seen.shape[1]
    window = np.hanning(count + 2)[1:-1]
    hz = np.abs(np.fft.fftfreq(count, 1 / times_hz))
    periods_hz = frames.rate_hz / frames.hop
    halves = []
    for index, harmonic in enumerate(model.harmonics):
        still = seen[..., index] * (window * np.exp(-1j * harmonic * phase))
        power = (np.abs(np.fft.fft(still, axis=1)) ** 2).sum(axis=0)
        far = _level(power, hz, 1.2, 2.4)
        choice = 0
        for wider, (low, high) in enumerate(((0.2, 0.5), (0.5, 1.0)), start=1):
            if _level(power, hz, low, high) > 8 * far > 0:
                choice = wider
        halves.append(max(round(_HALVES_S[choice] * periods_hz), 2))
    return tuple(halves)


def _level(power: Reals, hz: Reals, low: float, high: float) -> float:
    inside = (hz >= low) & (hz < high)
    return float(np.median(power[inside])) if inside.any() else 0.0


def shares(take: Source, model: LinesModel, frames: LineFrames) -> Reals:
    """Part of each harmonic to subtract, so that its line ends at the floor around, not in a hole.

    The floor is the median power 3 to 6 Hz to either side over the first minute.
    """
    size = min(take.frames, 60 * take.rate_hz)
    size = fast_length_within(size)
    window = np.hanning(size) if size > 2 else np.ones(size)
    spectrum = np.fft.rfft(take.read(0, size) * window)
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


def follow_lines(take: Source, lines: LinesModel, mains_hz: float) -> Followed | None:
    """Follow the hum of known lines through a take, as if a silence had shown them.

    Parameters
    ----------
    take : Source
    lines : LinesModel
        The waveform, of the lines that behave like hum.
    mains_hz : float
        Mean mains frequency of the take.

    Returns
    -------
    Followed or None
        None where no hum keeps to the lines.

    Notes
    -----
    Along the path that the first waveform shows, in the cells that hum, the waveform is learned
    once more: it is the better the better the path is, above all in the quieter channel.
    """
    noise = 2 * lines.spread**2 + 1e-20
    model = HumModel(mains_hz, _MAINS_SD_HZ, lines.harmonics, lines.amplitudes, noise, lines.sd)
    path = follow(take, model)
    if not path.is_heard:
        return None
    better = _learned(path)
    if better is not None:
        again = follow(take, better)
        path = again if again.is_heard else path
    return path


def _learned(path: Followed) -> HumModel | None:
    """Learn the waveform along a path, relative to the level of the channel that is surest."""
    bins = path.levels[1][int(path.sums[1].sum(axis=1).argmax())]
    level = 0.5 * (bins[::2] + bins[1::2])
    humming = np.flatnonzero((level > _LEVELS[0]) & (level < _LEVELS[1]))
    if humming.size < _CELLS:
        return None
    level = level[humming, None]
    cells, steady = path.cells, path.cells.stilled(path.phase)[:, humming] / level
    cells = replace(
        cells,
        seen=steady.astype(np.complex64),
        beside=(cells.beside[:, humming] / level**2).astype(np.float32),
        turned_by=cells.turned_by[humming],
    )
    leak = leak_of(path.wander_hz[humming[:-1]])
    return learn_along(cells, path.mains_hz, _MAINS_SD_HZ, path.model.harmonics, leak)
