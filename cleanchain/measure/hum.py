"""The waveform of a hum, learned from a silence."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.measure.hum_cells import OVERLAP, STRIDE, Cells, cells_along, cells_of
from cleanchain.measure.hum_periods import periods_of
from cleanchain.measure.mains import HIGHEST_HZ, NOMINAL_HZ, REACH_HZ, Candidate, joint_frequency
from cleanchain.measure.mains_phase import refine
from cleanchain.operators.harmonics import Amplitudes, HarmonicFrames, Reals

#: A harmonic is there when its amplitude is this many standard deviations from zero.
THERE_SD = 5.0
#: Frames of a mains frequency that is nearer than this to the true one are good, Hz.
_NEAR_HZ = 0.001
#: Amplitude of a harmonic below which, relative to the largest, it may be a leak of that one.
_LEAST = 3e-4
#: The same for each hertz that the mains wander: periods are cut and fitted at their mean.
_LEAST_A_HZ = 0.05
#: Cells from which on the first and the last one have no say in the waveform: what an earlier
#: filter makes of the ends of a hum lies on lines that the hum does not have.
_MANY = 8
#: The power of noise in a period over that in a cell.
PERIOD_NOISE = 2 * STRIDE / 1.5


@dataclass(frozen=True, eq=False)
class HumModel:
    """The waveform of a hum.

    Parameters
    ----------
    mains_hz, mains_sd_hz : float
        Mean mains frequency of the recording it was learned from, and its standard deviation.
    harmonics : tuple of int
        Harmonics that are there.
    amplitudes : ndarray of complex, shape (channels, harmonics)
        Their amplitude and phase, for a mains phase of zero.
    noise : ndarray of shape (channels, harmonics)
        Power of all else in a cell on each line.
    sd : ndarray of shape (channels, harmonics)
        Standard deviation of the amplitudes.
    faint : HumModel or None, optional
        Harmonics that are not clear enough to be taken out, each with its share of the power that
        all of them together have beyond chance.
    """

    mains_hz: float
    mains_sd_hz: float
    harmonics: tuple[int, ...]
    amplitudes: Amplitudes
    noise: Reals
    sd: Reals
    faint: HumModel | None = None

    def keep(self, chosen: NDArray[np.bool_]) -> HumModel:
        """Return the model with some of its harmonics."""
        return replace(
            self,
            harmonics=tuple(h for h, good in zip(self.harmonics, chosen, strict=True) if good),
            amplitudes=self.amplitudes[:, chosen],
            noise=self.noise[:, chosen],
            sd=self.sd[:, chosen],
        )

    def drawn(self, rng: np.random.Generator) -> Amplitudes:
        """Draw a waveform that may well be the true one; a channel without a line gets none."""
        noise = rng.standard_normal((2, *self.sd.shape))
        sd = self.sd * np.sqrt(OVERLAP / 2)
        sd = np.where(self.amplitudes != 0.0, sd, 0.0)
        waveform: Amplitudes = self.amplitudes + sd * (noise[0] + 1j * noise[1])
        return waveform


def floor_of(cells: Cells) -> Reals:
    """Power beside each line, as its median over time, shape (channels, harmonics)."""
    # The mean of two exponential draws has its median at 0.839 of its mean.
    floor: Reals = np.median(cells.beside, axis=1).astype(np.float64) / 0.839 + 1e-24
    return floor


def learn_silence(silence: Source, candidate: Candidate) -> HumModel | None:
    """Learn the hum of a recording in which nothing else sounds.

    Parameters
    ----------
    silence : Source
        At least a second.
    candidate : Candidate
        Where the comb lies, to about 20 mHz.

    Returns
    -------
    HumModel or None
        None where there is no hum: neither the fundamental nor three of the first twelve
        harmonics.
    """
    highest = min(HIGHEST_HZ, 0.45 * silence.rate_hz)
    harmonics = tuple(range(1, int(highest / candidate.mains_hz) + 1))
    lines = np.isin(harmonics, list(candidate.lines))
    mains_hz = candidate.mains_hz
    for _ in range(3):
        frames = HarmonicFrames(silence.rate_hz, mains_hz, harmonics)
        periods = periods_of(silence, frames)
        if periods.count < 2 * STRIDE:
            return None
        floor = floor_of(cells_of(periods))
        offset_hz, sd_hz = joint_frequency(
            periods.whole()[..., lines],
            frames.seconds(periods.count),
            np.array(harmonics)[lines],
            floor[:, lines] * PERIOD_NOISE,
        )
        # Cut in periods of a wrong length, a strong line would leak into its neighbours.
        if abs(offset_hz) < _NEAR_HZ:
            break
        mains_hz += offset_hz
    periods = periods.retuned(offset_hz)
    phase, _ = _follow(cells_of(periods), floor, lines, (3, 6, 12, 24, len(harmonics)))
    cells = cells_along(periods, phase)
    floor = floor_of(cells)
    phase, amplitudes = _follow(cells, floor, lines, (len(harmonics),))
    sd = np.sqrt(floor / len(range(cells.count)[_inner(cells)]))
    slope_hz = (
        float(np.polyfit(cells.seconds, phase, 1)[0] / (2 * np.pi)) if cells.count > 2 else 0.0
    )
    # The last offset may have been added to the frequency already.
    found_hz = frames.mains_hz + offset_hz + slope_hz
    model = HumModel(found_hz, sd_hz, harmonics, amplitudes, floor, sd)
    size = np.abs(amplitudes)
    wander = np.diff(phase) / (2 * np.pi * cells.step_s) - slope_hz
    clear = size / sd > THERE_SD
    there = clear & (size > leak_of(wander) * size.max(axis=1, keepdims=True))
    # In a channel that does not have a line, what chance left of it would only be put in.
    faint = _beyond_chance(model.keep(np.logical_not(clear.any(axis=0))))
    kept = replace(model, amplitudes=np.where(there, amplitudes, 0.0), faint=faint)
    kept = kept.keep(there.any(axis=0))
    return kept if is_hum(kept) else None


def _beyond_chance(model: HumModel) -> HumModel:
    """Shrink lines that are hardly there to the power that all have together beyond chance."""
    chance = OVERLAP * model.sd**2
    excess = np.abs(model.amplitudes) ** 2 - chance
    likely, total = np.maximum(excess, 0.0), np.maximum(excess.sum(axis=1), 0.0)
    total *= total**2 / np.maximum(total**2 + (chance**2).sum(axis=1), 1e-60)
    size = np.sqrt(likely * (total / np.maximum(likely.sum(axis=1), 1e-30))[:, None])
    return replace(model, amplitudes=size * np.exp(1j * np.angle(model.amplitudes)))


def leak_of(wander_hz: Reals) -> float:
    """Return how much of the largest line of a channel may look like another one.

    Parameters
    ----------
    wander_hz : ndarray
        How far the mains are from their mean frequency, all along.
    """
    rms_hz = float(np.sqrt(np.mean(wander_hz**2))) if wander_hz.size else 0.0
    return max(_LEAST, _LEAST_A_HZ * rms_hz)


def _follow(
    cells: Cells, floor: Reals, lines: NDArray[np.bool_], up_to: tuple[int, ...]
) -> tuple[Reals, Amplitudes]:
    """Follow phase and waveform in turns, by the lines up to one harmonic after the other."""
    steady = np.ones(cells.seen.shape[:2])
    phase = cells.turned_by
    strength = np.abs(cells.seen.mean(axis=1)) ** 2 / floor
    # A line that moves far cannot lead: high ones are led by low ones first.
    reach = np.where(lines, strength.max(axis=0), 0.0)
    for highest in up_to:
        chosen = lines & (cells.harmonics <= highest) & (reach > 0)
        if not chosen.any():
            continue
        part = cells.keep(chosen)
        for _ in range(2):
            amplitudes = part.stilled(phase)[:, _inner(part)].mean(axis=1)
            phase, _ = refine(part, amplitudes, steady, floor[:, None, chosen], phase, [])
    return phase, cells.stilled(phase)[:, _inner(cells)].mean(axis=1)


def _inner(cells: Cells) -> slice:
    """Return the cells that the waveform is learned from."""
    return slice(1, -1) if cells.count >= _MANY else slice(None)


def is_hum(model: HumModel) -> bool:
    """Whether the lines of a silence make a hum: the fundamental, or three of the first twelve."""
    away_hz = min(abs(model.mains_hz - nominal) for nominal in NOMINAL_HZ)
    if away_hz > REACH_HZ + 0.05:
        return False
    return 1 in model.harmonics or sum(harmonic <= 12 for harmonic in model.harmonics) >= 3
