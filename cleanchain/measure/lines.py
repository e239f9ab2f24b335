"""Narrow lines in a spectrum, mains harmonics and others, told apart from the hiss under them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from cleanchain.measure.bands import HIGHEST_HZ, LOWEST_HZ
from cleanchain.measure.mains import Candidate
from cleanchain.measure.spectrum import Spectrum

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Bins that the floor is taken from on either side, and a Hann window's main lobe with a margin.
_SIDE, _LOBE = 24, 3
#: Side lobes of a line are left out down to this part of the floor, so far at most, bins.
_SKIRT, _MOST_REACH, _ROUNDS = 0.05, 128, 4
#: A bin stands out where chance would make one in a million as high.
_CHANCE = 1e-6
#: Wider bins leave no floor between the harmonics of 50 Hz.
WIDEST_BIN_HZ = 50.0 / (3 * _LOBE)
#: A line is there when it is this many standard deviations of the floor above it.
_THERE_SD = 6.0
#: A line beside the lower end of what is recorded stands so many times over its floor.
_STANDS_OUT = 4.0
#: How far the mains may wander within a recording, Hz (common practice, no source).
_WANDER_HZ = 0.02
#: How far the lines' own frequency may lie from the comb that fits best, Hz.
_NEAR_HZ = 0.3
#: Highest frequency at which mains harmonics are looked for, Hz, and widest line in lobes.
_HIGHEST_HARMONIC_HZ, _WIDEST = 6000.0, 4


@dataclass(frozen=True)
class Line:
    """A narrow line.

    Parameters
    ----------
    frequency_hz : float
        Its centre of gravity.
    power, sd : float
        Mean square, full scale 1, and its standard deviation.
    harmonic : int or None
        Number of the mains harmonic, None where it is none.
    """

    frequency_hz: float
    power: float
    sd: float
    harmonic: int | None = None


@dataclass(frozen=True, eq=False)
class NoiseSplit:
    """A spectrum as hiss and lines.

    Parameters
    ----------
    mains_hz, mains_sd_hz : float or None
        Mains frequency, None where no hum was found, and its standard deviation.
    harmonics, others : tuple of Line
        Lines of the mains in the order of frequency, and lines that are none.
    hiss : ndarray of shape (bins,)
        Density with every line replaced by the floor around it.
    """

    mains_hz: float | None
    mains_sd_hz: float | None
    harmonics: tuple[Line, ...]
    others: tuple[Line, ...]
    hiss: Reals

    @property
    def lines(self) -> tuple[Line, ...]:
        """All lines."""
        return self.harmonics + self.others


def split_lines(
    spectrum: Spectrum, candidates: Sequence[Candidate], channel: int = 0
) -> NoiseSplit:
    """Split one channel of a spectrum into mains harmonics, other lines and hiss.

    Parameters
    ----------
    spectrum : Spectrum
        With bins of about 0.75 Hz; wide bins hide weak lines.
    candidates : sequence of Candidate
        Where mains lines may lie, the best first.
    channel : int, optional
        Counted from 0.
    """
    work = _Work(spectrum, channel)
    mains_hz = mains_sd_hz = None
    harmonics: list[Line] = []
    for candidate in candidates:
        harmonics = work.harmonics(candidate.mains_hz)
        if _is_hum(harmonics):
            refined_hz, refined_sd_hz = work.refine(harmonics)
            # A tone beside the mains draws the frequency away from where the comb fits best.
            if abs(refined_hz - candidate.mains_hz) <= max(_NEAR_HZ, 4 * refined_sd_hz):
                mains_hz, mains_sd_hz = refined_hz, refined_sd_hz
                harmonics = work.harmonics(mains_hz)
                break
        harmonics = []
    taken = np.zeros(work.psd.size, dtype=bool)
    if mains_hz is not None:
        for line in harmonics:
            assert line.harmonic is not None
            taken[work.window(line.frequency_hz, line.harmonic)] = True
    others = work.others(taken)
    for line in others:
        taken[work.window(line.frequency_hz, 1)] = True
    hiss = np.where(taken | (work.leakage > 0), work.floor, work.psd)
    return NoiseSplit(mains_hz, mains_sd_hz, tuple(harmonics), tuple(others), hiss)


def _is_hum(harmonics: Sequence[Line]) -> bool:
    """Whether lines make a hum: the fundamental, or at least three of the first twelve."""
    numbers = [line.harmonic for line in harmonics if line.harmonic is not None]
    return 1 in numbers or sum(number <= 12 for number in numbers) >= 3


class _Work:
    """The floor of one channel, and the lines above it."""

    def __init__(self, spectrum: Spectrum, channel: int) -> None:
        self.spectrum = spectrum
        self.psd = spectrum.psd[channel]
        self.bin_hz, self.dof = spectrum.bin_hz, spectrum.dof
        self.seconds = spectrum.steady_seconds
        self.outstanding = self._outstanding()
        self.floor = self._mean_beside(self.outstanding)
        self.leakage = np.zeros(self.psd.size)
        for _ in range(_ROUNDS):  # the floor beside a strong line is known once its skirts are
            self.leakage = self._leakage()
            self.floor = self._mean_beside(self.outstanding | (self.leakage > 0))

    def _outstanding(self) -> Flags:
        """Bins that stand above the medians of both their sides, and their neighbours."""
        size, psd = self.psd.size, self.psd
        side = min(_SIDE, max((size - 1) // 4, 1))
        padded = np.pad(psd, (side + _LOBE, side + _LOBE), mode="reflect")
        runs = np.median(np.lib.stride_tricks.sliding_window_view(padded, side), axis=1)
        # Run k starts at bin k - side - lobe: the left side ends a lobe before the bin.
        left, right = runs[:size], runs[side + 2 * _LOBE : side + 2 * _LOBE + size]
        middle = float(chdtri(self.dof, 0.5)) / self.dof
        limit = float(chdtri(self.dof, _CHANCE)) / self.dof
        out: Flags = psd > np.maximum(left, right) / middle * limit
        for distance in range(1, _LOBE):
            out[distance:] |= out[:-distance] & (psd[distance:] < psd[:-distance])
            out[:-distance] |= out[distance:] & (psd[:-distance] < psd[distance:])
        return out

    def _leakage(self) -> Reals:
        """Highest density that the side lobes of strong lines leave in every bin.

        Those of a Hann window fall as 1 / (pi d^3), d bins away.
        """
        leakage = np.zeros(self.psd.size)
        for start, stop in _runs(self.outstanding):
            peak = start + int(np.argmax(self.psd[start:stop]))
            ratio = self.psd[peak] / max(float(self.floor[peak]), 1e-300)
            reach = min(int((ratio / _SKIRT / np.pi**2) ** (1 / 6)), _MOST_REACH)
            if reach <= _LOBE:
                continue
            bins = np.arange(max(peak - reach, 0), min(peak + reach + 1, self.psd.size))
            away = np.maximum(np.abs(bins - peak), 1.0)
            lobes = self.psd[peak] / (np.pi * away**3) ** 2
            leakage[bins] = np.maximum(leakage[bins], lobes)
        return leakage

    def _mean_beside(self, skipped: Flags) -> Reals:
        """Mean density of the bins nearest to each, as many on either side, some left out."""
        good = ~skipped
        kept = self.psd[good]
        total = np.concatenate(([0.0], np.cumsum(kept)))
        before: NDArray[np.int64] = np.cumsum(good) - good
        low = np.maximum(before - _SIDE // 2, 0)
        high = np.minimum(before + _SIDE // 2, kept.size)
        mean: Reals = (total[high] - total[low]) / np.maximum(high - low, 1)
        return mean

    def window(self, frequency_hz: float, harmonic: int) -> slice:
        """Bins that a line fills."""
        half = _LOBE + math.ceil(harmonic * _WANDER_HZ / self.bin_hz)
        centre = round(frequency_hz / self.bin_hz)
        return slice(max(centre - half, 0), min(centre + half + 1, self.psd.size))

    def line(self, frequency_hz: float, harmonic: int | None) -> Line | None:
        """Measure a line, None where there is none."""
        bins = self.window(frequency_hz, harmonic or 1)
        floor = self.floor[bins]
        if not floor.size or floor.max() <= 0:
            return None
        excess = self.psd[bins] - floor
        power = float(excess.sum()) * self.bin_hz
        # Neighbouring bins of a Hann window share 4/9 and 1/36 of their variance: 1.94 bins in one.
        noise = float(np.sqrt(1.94 * (floor**2).sum() * 2 / self.dof)) * self.bin_hz
        noise *= math.sqrt(1 + 1.94 * floor.size / _SIDE)  # the floor is measured, too
        if power < _THERE_SD * noise:
            return None
        # A sine of power P in noise of density S is known to 2 P S / T (Kay 1993, ch. 7).
        sd = math.sqrt(noise**2 + 2 * power * float(floor.mean()) / self.seconds)
        at = np.arange(bins.start, bins.stop) * self.bin_hz
        return Line(float((at * excess).sum() / excess.sum()), power, sd, harmonic)

    def harmonics(self, mains_hz: float) -> list[Line]:
        """Measure all harmonics of a mains frequency that are there."""
        highest = min(_HIGHEST_HARMONIC_HZ, (self.psd.size - _SIDE) * self.bin_hz)
        if mains_hz < 3 * _LOBE * self.bin_hz:
            return []
        found = []
        for harmonic in range(1, int(highest / mains_hz) + 1):
            line = self.line(harmonic * mains_hz, harmonic)
            near = _LOBE * self.bin_hz + harmonic * _WANDER_HZ
            if line and abs(line.frequency_hz - harmonic * mains_hz) < near:
                found.append(line)
        return found

    def refine(self, harmonics: Sequence[Line]) -> tuple[float, float]:
        """Mains frequency and its standard deviation from the lines, the clear ones first."""
        number = np.array([line.harmonic for line in harmonics], dtype=float)
        frequency = np.array([line.frequency_hz for line in harmonics])
        clear = np.array([line.power / line.sd for line in harmonics])
        # A centre of gravity is as sure as the line is clear, and never below a 200th of a bin.
        sd = np.maximum(2 * _LOBE * self.bin_hz / clear, self.bin_hz / 200) / number
        weight = 1 / sd**2
        mean = float((weight * frequency / number).sum() / weight.sum())
        return mean, float(1 / np.sqrt(weight.sum()))

    def others(self, taken: Flags) -> list[Line]:
        """Measure lines that stand out and are none of the mains."""
        flags = self.outstanding & ~taken
        found: list[Line] = []
        for start, stop in _runs(flags):
            if stop - start > 2 * _WIDEST * _LOBE:
                continue
            peak = start + int(np.argmax(self.psd[start:stop]))
            if self.psd[peak] < 4 * self.leakage[peak]:
                continue  # where a line peaks, its own leakage is a tenth of it
            if taken[max(peak - _LOBE, 0) : peak + _LOBE + 1].any():
                continue
            if not LOWEST_HZ <= peak * self.bin_hz <= HIGHEST_HZ:
                continue
            # Where inputs are cut off there is no floor on one side: a steep end is no line.
            one_sided = (peak - _SIDE // 2 - _LOBE) * self.bin_hz < LOWEST_HZ
            if one_sided and self.psd[peak] < _STANDS_OUT * self.floor[peak]:
                continue
            line = self.line(peak * self.bin_hz, None)
            if line and not (
                found and line.frequency_hz - found[-1].frequency_hz < 2 * _LOBE * self.bin_hz
            ):
                found.append(line)
        return found


def _runs(flags: Flags) -> list[tuple[int, int]]:
    """Begin and end of every row of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
