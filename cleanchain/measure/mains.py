"""Is there mains hum in a recording, and at what frequency: 50 or 60 Hz, from the data alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.fourier import fast_length

Reals = NDArray[np.float64]

#: Mains frequencies that are looked for, Hz: nominal value and how far it may be away.
NOMINAL_HZ = (50.0, 60.0)
REACH_HZ = 1.0
#: How far the search for the exact frequency goes around the rough one, Hz.
_NEAR_HZ = 0.3
#: Highest frequency at which harmonics are looked for, Hz.
HIGHEST_HZ = 3000.0
_FRAME_S = 4.0
_MOST_FRAMES = 60
_STEP_HZ = 0.01
#: A line counts from here above the median around it; beyond the cap it counts no more.
_LINE_RATIO, _CAP = 10.0, 6.0
#: What the height beyond the cap still weighs, so that the top of a single line is found.
_PEAK_SHARE = 0.5
#: Newton's steps to the exact frequency, and the part of a step of the grid that ends them.
_STEPS, _CLOSE = 60, 1e-4


@dataclass(frozen=True)
class Candidate:
    """Where the lines of a mains comb would lie best.

    Parameters
    ----------
    mains_hz : float
        Frequency of the fundamental, to about 10 mHz.
    lines : dict of int to float
        Harmonics that stand out, with their height over the spectrum around them in dB.
    """

    mains_hz: float
    lines: dict[int, float]


def find_candidates(source: Source, nominal_hz: tuple[float, ...] = NOMINAL_HZ) -> list[Candidate]:
    """Return the best comb near each nominal frequency, the better one first.

    Parameters
    ----------
    source : Source
        A silence, or a take.
    nominal_hz : tuple of float, optional
        Which mains frequencies to look for.

    Notes
    -----
    Works on the lower quartile over time of spectra of 4 s: what sounds all the time stays, notes
    that come and go do not. Lines are weighed by the logarithm of their height, so that no single
    one decides.
    """
    power, bin_hz, width_hz = _steady_spectrum(source)
    peak = power.copy()
    peak[1:] = np.maximum(peak[1:], power[:-1])
    peak[:-1] = np.maximum(peak[:-1], power[1:])
    ratio = peak / _floor(power, bin_hz, width_hz)
    found = []
    for nominal in nominal_hz:
        grid = np.arange(nominal - REACH_HZ, nominal + REACH_HZ + _STEP_HZ / 2, _STEP_HZ)
        count = int(min(HIGHEST_HZ, power.size * bin_hz - 9.0) / (nominal + REACH_HZ))
        if count < 1:
            continue
        bins = np.round(np.multiply.outer(np.arange(1, count + 1), grid) / bin_hz).astype(int)
        heights = ratio[np.clip(bins, 0, power.size - 1)]
        height = np.log(np.maximum(heights / _LINE_RATIO, 1.0))
        merit = (np.minimum(height, _CAP) + _PEAK_SHARE * height).sum(axis=0)
        best = int(np.argmax(merit))
        if merit[best] > 0:
            lines = {
                h + 1: float(10 * np.log10(height))
                for h, height in enumerate(heights[:, best])
                if height > _LINE_RATIO
            }
            found.append((float(merit[best]), Candidate(float(grid[best]), lines)))
    return [candidate for _, candidate in sorted(found, key=lambda pair: -pair[0])]


def joint_frequency(
    amplitudes: NDArray[np.complex64], seconds: Reals, harmonics: Reals, noise: Reals
) -> tuple[float, float]:
    """Estimate how far the mains lie from where the amplitudes were taken, all lines together.

    Parameters
    ----------
    amplitudes : ndarray of complex, shape (channels, periods, harmonics)
        Amplitudes around a frequency that is right to about 0.3 Hz.
    seconds : ndarray of shape (periods,)
        Their times.
    harmonics : ndarray of shape (harmonics,)
        Their numbers.
    noise : ndarray of shape (channels, harmonics)
        Power of the noise in one amplitude.

    Returns
    -------
    offset_hz, sd_hz : float
        The standard deviation is the Cramer-Rao bound for steady lines of this strength.

    Notes
    -----
    Maximum likelihood for steady lines in white noise around each: the sum over the lines of the
    power at h times the offset, over the noise. On a grid first, then by Newton's method (Rife and
    Boorstyn 1974 have the case of one line).
    """
    at = seconds - seconds.mean()
    say = 1.0 / (np.maximum(noise, 1e-30) * at.size)
    period_s = float(at[1] - at[0])
    size = fast_length(8 * at.size)
    spectra = np.fft.fft(amplitudes, size, axis=1)
    step_hz = 1 / (8 * harmonics.max() * at.size * period_s)
    grid = np.arange(-_NEAR_HZ, _NEAR_HZ + step_hz, step_hz)
    power = np.zeros(grid.size)
    for index, harmonic in enumerate(harmonics):
        rows = np.round(harmonic * grid * period_s * size).astype(int) % size
        power += (np.abs(spectra[:, rows, index]) ** 2).T @ say[:, index]
    offset = float(grid[np.argmax(power)])
    turn = 2 * np.pi * harmonics
    bend = -1e-300
    # Where chance lines high up decide between steps of the grid, the true one is some steps away.
    for _ in range(_STEPS):
        still = amplitudes * np.exp(-1j * np.multiply.outer(offset * at, turn))
        zeroth = still.sum(axis=1)
        first = -1j * turn * np.einsum("ckh,k->ch", still, at)
        second = -(turn**2) * np.einsum("ckh,k->ch", still, at**2)
        slope = 2 * (say * (zeroth.conj() * first).real).sum()
        bend = 2 * (say * (np.abs(first) ** 2 + (zeroth.conj() * second).real)).sum()
        if bend >= 0:
            break
        step = float(np.clip(slope / bend, -step_hz, step_hz))
        offset -= step
        if abs(step) < _CLOSE * step_hz:
            break
    return offset, float(1 / np.sqrt(max(-bend, 1e-30)))


def _steady_spectrum(source: Source) -> tuple[NDArray[np.float64], float, float]:
    """Lower quartile over time of the power spectrum, its bin width and its resolution in Hz."""
    size = min(int(_FRAME_S * source.rate_hz), source.frames)
    starts = np.arange(0, source.frames - size + 1, max(size // 2, 1))
    if starts.size > _MOST_FRAMES:
        starts = starts[np.linspace(0, starts.size - 1, _MOST_FRAMES).astype(int)]
    padded = fast_length(2 * size)
    bin_hz = source.rate_hz / padded
    keep = min(int((HIGHEST_HZ + 70.0) / bin_hz), padded // 2)
    # Single precision: its rounding lies 140 dB below the loudest sound.
    window = np.hanning(size).astype(np.float32)
    spectra = np.empty((starts.size, keep))
    for row, start in enumerate(starts.tolist()):
        frame = source.read(start, start + size).astype(np.float32) * window
        spectrum = np.fft.rfft(frame, padded)[:, :keep]
        spectra[row] = (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
    steady = np.percentile(spectra, 25, axis=0) if starts.size > 3 else spectra.min(axis=0)
    return steady, bin_hz, source.rate_hz / size


def _floor(power: Reals, bin_hz: float, width_hz: float) -> Reals:
    """Median of what lies 3 to 8 Hz (or widths) to either side of each bin, every 2 Hz or so."""
    near, far = max(3.0, 3 * width_hz), max(8.0, 8 * width_hz)
    inner, outer = int(near / bin_hz), int(far / bin_hz)
    around = np.concatenate([np.arange(-outer, -inner), np.arange(inner, outer)])
    centres = np.arange(0, power.size, max(int(2.0 / bin_hz), 1))
    beside = power[np.clip(centres[:, None] + around, 0, power.size - 1)]
    floor: Reals = np.interp(np.arange(power.size), centres, np.median(beside, axis=1))
    return np.maximum(floor, 1e-30)
