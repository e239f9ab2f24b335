"""A known noise found in what a build recorded of it: when it came, and what was heard of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.errors import FitError, InputError
from cleanchain.fourier import fast_length, irfft, rfft
from cleanchain.measure.bands import HIGHEST_HZ, LOWEST_HZ, Band, band_weights
from cleanchain.measure.levels import Estimates
from cleanchain.measure.spectrum import equivalent_dof

Reals = NDArray[np.float64]

#: Most of a recording that is searched, frames, and the stretches it is cut into.
_MOST_FRAMES, _CHUNK = 1 << 23, 1 << 16
#: Largest difference of the clocks that is found, and when a correlation is no chance.
MOST_DRIFT_PPM, FOUND_SD = 200.0, 8.0
_CLEAR_SD = 20.0
#: Segments of the transfer, frames.
_SEGMENT = 1 << 14
#: Shifts in bins between which spectra are interpolated, and one that makes no difference.
_SHIFT_STEP, _NO_SHIFT = 0.125, 0.01
#: Where the played noise is this far below its middle, nothing was played.
_NOT_PLAYED = 1e-4
#: A bin is drowned where its noise is this many times that around it; how much of a band's heard
#: density an unseen part may differ by.
_DROWNED, _UNSEEN = 10.0, 0.25


@dataclass(frozen=True)
class PlayedAt:
    """Where a played noise lies in a recording.

    Parameters
    ----------
    lag_frames : float
        The noise starts this many frames after the recording; negative where it starts before.
    drift_ppm : float
        How much slower the recorder's clock makes it, parts per million.
    strength_sd : float
        The correlation's peak in standard deviations of what chance gives.
    """

    lag_frames: float
    drift_ppm: float
    strength_sd: float

    @property
    def found(self) -> bool:
        """Whether the noise is there beyond doubt."""
        return self.strength_sd >= FOUND_SD


def find_played(
    played: Source, heard: Source, channel: int = 0, search_drift: bool = True
) -> PlayedAt:
    """Find a known noise in a recording, far below the recording's own floor if need be.

    Parameters
    ----------
    played : Source
        The noise as it was played, its first channel; not silent.
    heard : Source
        What was recorded meanwhile.
    channel : int, optional
        Of the recording, counted from 0.
    search_drift : bool, optional
        Whether to look on, part by part, where the whole correlation shows nothing: a drift of the
        clocks may have drawn it out. False where they are known to agree.

    Raises
    ------
    FitError
        If the rates differ.
    InputError
        If one of them is silent.

    Notes
    -----
    Every frequency of the band counts alike, whatever its level (Knapp and Carter 1976), so that
    hum does not decide. The correlations of stretches are added along every difference of the
    clocks up to 200 ppm.
    """
    if played.rate_hz != heard.rate_hz:
        raise FitError(
            f"has {heard.rate_hz} Hz, but what was played has {played.rate_hz} Hz",
            where=heard.name,
            fix="Record at the rate of the stimulus, or write a stimulus at this rate.",
        )
    x = played.read(0, min(played.frames, _MOST_FRAMES))[0]
    y = heard.read(0, min(heard.frames, _MOST_FRAMES))[channel]
    for wave, source in ((x, played), (y, heard)):
        if not wave.any():
            raise InputError("is digital silence", where=source.name)
    place = _search(x, y, played.rate_hz, search_drift)
    return _refined(played, heard, place, channel) if place.found else place


def _search(x: Reals, y: Reals, rate_hz: int, search_drift: bool) -> PlayedAt:
    """Search by the whole correlation first, then by parts of it."""
    reach = int(MOST_DRIFT_PPM * 1e-6 * y.size / 2) + 2
    size = fast_length(x.size + y.size)
    spectrum = _whitened(x, size, rate_hz)
    whole, _ = _coarse_lag(spectrum, y, size, rate_hz)
    place = _fine(x, y, rate_hz, whole, 2 * reach + 32)
    if place.strength_sd >= _CLEAR_SD or not search_drift:
        return place
    # A drift draws the peak out over the whole length, less so over a part of it.
    part = 2 * _CHUNK
    drawn_out = int(MOST_DRIFT_PPM * 1e-6 * part)
    peaks = []
    for start in range(0, y.size - part + 1, max((y.size - part) // 3, part)):
        lag, height = _coarse_lag(spectrum, y[start : start + part], size, rate_hz, drawn_out)
        peaks.append((height, lag + start))
    if not peaks:
        return place
    other = _fine(x, y, rate_hz, max(peaks)[1], 2 * reach + 32)
    return max(place, other, key=lambda found: found.strength_sd)


def _whitened(wave: NDArray[Any], size: int, rate_hz: int) -> NDArray[Any]:
    """Spectrum of unit magnitude inside the band, in single precision."""
    spectrum = rfft(wave.astype(np.float32), size)
    low, high = (int(hz * size / rate_hz) for hz in (LOWEST_HZ, HIGHEST_HZ))
    spectrum[:low] = 0.0
    spectrum[high + 1 :] = 0.0
    inside = spectrum[low : high + 1]
    inside /= np.maximum(np.abs(inside), np.float32(1e-30))
    return spectrum


def _coarse_lag(
    x: NDArray[Any], y: Reals, size: int, rate_hz: int, width: int = 1
) -> tuple[int, float]:
    """Lag whose surroundings of some width hold the most correlation, and how much of it.

    `x` is the whitened spectrum of what was played, at the transform's length.
    """
    square = irfft(np.conj(x) * _whitened(y, size, rate_hz), size)
    square *= square
    around = square
    if width > 1:
        total = np.cumsum(np.concatenate(([0.0], square, square[:width])), dtype=np.float64)
        around = total[width : width + size] - total[:size]
    best = int(np.argmax(around))
    height = float(around[best] / max(float(square.mean()) * width, 1e-300))
    best = (best + width // 2) % size
    return (best if best < y.size else best - size), height


def _fine(x: Reals, y: Reals, rate_hz: int, coarse: int, reach: int) -> PlayedAt:
    """Add the stretches' correlations along every drift; the best one wins."""
    chunk = min(_CHUNK, max(y.size // 8, 4096))
    starts = [
        start
        for start in range(0, y.size - chunk + 1, chunk)
        if start - coarse - reach < x.size and start + chunk - coarse + reach > 0
    ]
    size = fast_length(2 * chunk + 2 * reach)
    rows = []
    for start in starts:
        first = start - coarse - reach
        piece = _cut(x, first, first + chunk + 2 * reach)
        cross = np.conj(_whitened(piece, size, rate_hz)) * _whitened(
            y[start : start + chunk], size, rate_hz
        )
        # The lag of the stretch is coarse + k for k = -reach ... reach.
        rows.append(np.roll(irfft(cross, size), 2 * reach)[: 2 * reach + 1])
    if not rows:
        return PlayedAt(float(coarse), 0.0, 0.0)
    table = np.array(rows)
    middle = np.array(starts) + chunk / 2
    away = middle - middle.mean()
    span = max(float(np.abs(away).max()), 1.0)
    step = 0.5 / span
    grid = np.arange(-MOST_DRIFT_PPM * 1e-6, MOST_DRIFT_PPM * 1e-6 + step / 2, step)
    edge = int(np.ceil(MOST_DRIFT_PPM * 1e-6 * span)) + 2
    padded = np.pad(table, ((0, 0), (edge, edge)))
    width = table.shape[1]
    stacks = np.array(
        [_stack(padded, np.rint(drift * away).astype(int) + edge, width) for drift in grid]
    )
    noise = float(np.sqrt(np.mean(stacks**2)))
    at, lag = np.unravel_index(int(np.argmax(np.abs(stacks))), stacks.shape)
    top = float(np.abs(stacks[at, lag]))
    sign = 1.0 if stacks[at, lag] > 0 else -1.0
    drift = float(grid[at]) + step * _vertex(sign * stacks[:, lag], int(at))
    centre = coarse - reach + float(lag) + _vertex(sign * stacks[at], int(lag))
    return PlayedAt(centre - drift * float(middle.mean()), 1e6 * drift, top / max(noise, 1e-300))


def _refined(played: Source, heard: Source, place: PlayedAt, channel: int) -> PlayedAt:
    """Refine the drift by the phase that turns from segment to segment."""
    size = _SEGMENT
    window = np.hanning(size + 1)[:-1]
    omega = 2 * np.pi * np.arange(size // 2 + 1) / size
    inside = (omega > 0) & (omega < 2 * np.pi * HIGHEST_HZ / heard.rate_hz)
    for _ in range(2):
        spectra, times = [], []
        for x, y, part, start in _pairs(played, heard, place, channel, size, size):
            if start[0] > _MOST_FRAMES:
                break
            xs = rfft(x * window) * np.exp(1j * omega * part[:, None])
            cross = np.conj(xs) * rfft(y * window)
            spectra.append(np.where(inside, cross / np.maximum(np.abs(cross), 1e-300), 0.0))
            times.append(start + size / 2)
        if not times:
            return place
        cross, time = np.concatenate(spectra), np.concatenate(times)
        usual = cross.mean(axis=0)
        # The part in quadrature with the usual phase is how far a segment is late.
        turned = cross * np.conj(usual)
        curve = float((omega**2 * turned.real).sum(axis=1).mean())
        late = -(omega * turned.imag).sum(axis=1) / max(curve, 1e-300)
        away = time - time.mean()
        slope = float((away * late).sum() / max(float((away**2).sum()), 1e-300))
        place = replace(
            place,
            lag_frames=place.lag_frames - slope * float(time.mean()),
            drift_ppm=place.drift_ppm + 1e6 * slope,
        )
    return place


def _cut(wave: Reals, start: int, stop: int) -> Reals:
    """Frames of a wave, zeros where it has none."""
    inside = wave[max(start, 0) : max(stop, 0)]
    before = max(-start, 0) if inside.size else stop - start
    return np.pad(inside, (before, max(stop - start - before - inside.size, 0)))


def _stack(padded: Reals, shifts: NDArray[np.int_], width: int) -> Reals:
    total: Reals = np.sum(
        [row[shift : shift + width] for row, shift in zip(padded, shifts, strict=True)], axis=0
    )
    return total


def _vertex(values: Reals, at: int) -> float:
    """Place of a parabola's top through three neighbouring values, -0.5 to 0.5."""
    if not 0 < at < values.size - 1:
        return 0.0
    before, here, after = (float(value) for value in values[at - 1 : at + 2])
    bend = before - 2 * here + after
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


@dataclass(frozen=True, eq=False)
class Transfer:
    """Played and recorded noise against each other.

    Parameters
    ----------
    played, heard : ndarray of shape (bins,)
        Densities of both, full scale squared per Hz.
    cross : ndarray of complex, shape (bins,)
        Cross density of both.
    averages : float
        How many independent segments were averaged.
    bin_hz : float
        Distance of the bins.
    """

    played: Reals
    heard: Reals
    cross: NDArray[np.complex128]
    averages: float
    bin_hz: float

    @property
    def frequency_hz(self) -> Reals:
        """Frequency of every bin."""
        return np.arange(self.played.size, dtype=np.float64) * self.bin_hz

    @property
    def coherence(self) -> Reals:
        """Magnitude-squared coherence, 0 to 1."""
        return np.clip(self._coherent() / np.maximum(self.heard, 1e-300), 0.0, 1.0)

    @property
    def gain_db(self) -> Reals:
        """Gain from the played file to the recording; the loudspeaker and the room are in it."""
        gain = np.abs(self.cross) / np.maximum(self.played, 1e-300)
        return 20 * np.log10(np.maximum(gain, 1e-15))

    def _coherent(self) -> Reals:
        coherent: Reals = np.abs(self.cross) ** 2 / np.maximum(self.played, 1e-300)
        return coherent

    @property
    def residual(self) -> Reals:
        """Density of what has nothing to do with the played noise, without bias."""
        rest = np.maximum(self.heard - self._coherent(), 0.0)
        return rest * self.averages / max(self.averages - 1, 1.0)

    def heard_in(self, bands: tuple[Band, ...]) -> Estimates:
        """Power in each band that belongs to the played noise, chance taken out.

        Bins that hum drowns are left out where a band has others; what they would hold is taken
        to be like the rest of the band, to a quarter.
        """
        noise = self.residual / self.averages
        there = self.played > _NOT_PLAYED * np.median(self.played[self.played > 0])
        excess = self._coherent() - noise
        edges = tuple((band.low_hz, band.high_hz) for band in bands)
        weights = band_weights(edges, self.played.size, self.bin_hz) * there
        clear = weights * np.array([self._clear(band) for band in bands])
        kept = np.where(clear.any(axis=1)[:, None], clear, weights)
        scale = weights.sum(axis=1) / np.maximum(kept.sum(axis=1), 1e-30)
        power = scale * (kept @ excess) * self.bin_hz
        # Chance of the noise's own coherent part, and of its product with the signal. Neighbouring
        # bins of a Hann window share 4/9 of the latter's variance, and (4/9)^2 of the former's.
        own = 1.4 * (kept**2 @ noise**2)
        product = 1.94 * np.maximum(kept**2 @ (2 * excess * noise), 0.0)
        chance = (scale * self.bin_hz) ** 2 * (own + product)
        unseen = np.maximum(1 - 1 / np.maximum(scale, 1.0), 0.0)
        played = weights.any(axis=1)  # where nothing was played, anything may be heard
        variance = np.where(played, chance + (_UNSEEN * unseen * power) ** 2, 1.0)
        return Estimates(power, variance)

    def _clear(self, band: Band) -> NDArray[np.bool_]:
        """Bins whose own noise is near that of the quieter ones within half an octave."""
        near = (self.frequency_hz > 0.7 * band.low_hz) & (self.frequency_hz < 1.4 * band.high_hz)
        quiet = float(np.percentile(self.residual[near], 25)) if near.any() else 0.0
        clear: NDArray[np.bool_] = self.residual <= _DROWNED * quiet
        return clear


def measure_transfer(played: Source, heard: Source, place: PlayedAt, channel: int = 0) -> Transfer:
    """Average cross-spectra of a played noise and its recording along their alignment.

    Parameters
    ----------
    played, heard : Source
        See `find_played`.
    place : PlayedAt
        Where the noise lies.
    channel : int, optional
        Of the recording, counted from 0.

    Raises
    ------
    InputError
        If they overlap by less than four segments of 0.3 s.

    Notes
    -----
    What arrives later than a segment, 0.3 s, counts as noise.
    """
    size = _SEGMENT
    window = np.hanning(size + 1)[:-1]
    turn = 2j * np.pi * np.arange(size // 2 + 1) / size
    sums = np.zeros((2, size // 2 + 1))
    cross: NDArray[np.complex128] = np.zeros(size // 2 + 1, dtype=np.complex128)
    count = 0
    for x, y, part, _ in _pairs(played, heard, place, channel, size, size // 2):
        xs = _on_heard_clock(x * window, 1e-6 * place.drift_ppm) * np.exp(turn * part[:, None])
        ys = rfft(y * window)
        sums[0] += (np.abs(xs) ** 2).sum(axis=0)
        sums[1] += (np.abs(ys) ** 2).sum(axis=0)
        cross += (np.conj(xs) * ys).sum(axis=0)
        count += len(x)
    if count < 7:
        raise InputError(
            f"overlaps with what was played by {count * size / 2 / heard.rate_hz:.1f} s only",
            where=heard.name,
            fix="Start the recording before the stimulus and play all of it.",
        )
    scale = 2 / (heard.rate_hz * float((window**2).sum()) * count)
    averages = equivalent_dof(size, 0.5, count) / 2
    return Transfer(sums[0] * scale, sums[1] * scale, cross * scale, averages, heard.rate_hz / size)


def _on_heard_clock(pieces: Reals, drift: float) -> NDArray[np.complex128]:
    """Spectra of segments as they are on a clock that makes them slower about their middle.

    A spectrum of a stretched segment is the segment's own, read at frequencies that are higher by
    the drift. Segments are turned by some such shifts and the spectra interpolated between them.
    """
    size = pieces.shape[-1]
    shift = drift * np.arange(size // 2 + 1)  # in bins
    steps = int(np.ceil(abs(shift[-1]) / _SHIFT_STEP))
    if abs(shift[-1]) < _NO_SHIFT:
        return rfft(pieces)
    time = (np.arange(size) - size / 2) / size
    total = np.zeros((len(pieces), size // 2 + 1), dtype=complex)
    for step in range(steps + 1):
        at = shift[-1] * step / steps
        share = np.maximum(1 - np.abs(shift - at) * steps / abs(shift[-1]), 0.0)
        turned = np.fft.fft(pieces * np.exp(-2j * np.pi * at * time))[:, : size // 2 + 1]
        total += share * turned
    return total


def _pairs(
    played: Source, heard: Source, place: PlayedAt, channel: int, size: int, hop: int
) -> Iterator[tuple[Reals, Reals, Reals, Reals]]:
    """Yield batches of segments of both, how much the played ones are early, and the starts."""
    starts = np.arange(0, heard.frames - size + 1, hop)
    at = starts - place.lag_frames - 1e-6 * place.drift_ppm * (starts + size / 2)
    first = np.floor(at).astype(int)
    fits = (first >= 0) & (first + size <= played.frames)
    starts, first, part = starts[fits], first[fits], (at - first)[fits]
    for low in range(0, starts.size, 64):
        batch = slice(low, low + 64)
        begin, origin = int(starts[batch][0]), int(first[batch][0])
        y = heard.read(begin, int(starts[batch][-1]) + size)[channel]
        x = played.read(origin, int(first[batch][-1]) + size)[0]
        yield (
            np.stack([x[k - origin : k - origin + size] for k in first[batch].tolist()]),
            np.stack([y[k - begin : k - begin + size] for k in starts[batch].tolist()]),
            part[batch],
            starts[batch].astype(float),
        )
