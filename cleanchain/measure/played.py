"""A known noise found in what a build recorded of it: its lag, and the drift of the clocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.errors import FitError, InputError
from cleanchain.fourier import fast_length, irfft, rfft
from cleanchain.measure.bands import HIGHEST_HZ, LOWEST_HZ

Reals = NDArray[np.float64]

#: Most of a recording that is searched, frames, and the stretches it is cut into.
_MOST_FRAMES, _CHUNK = 1 << 23, 1 << 16
#: Largest difference of the clocks that is found, and when a correlation is no chance.
MOST_DRIFT_PPM, FOUND_SD = 200.0, 8.0
_CLEAR_SD = 20.0
#: Segments of the transfer, frames.
SEGMENT = 1 << 14


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
    size = SEGMENT
    window = np.hanning(size + 1)[:-1]
    omega = 2 * np.pi * np.arange(size // 2 + 1) / size
    inside = (omega > 0) & (omega < 2 * np.pi * HIGHEST_HZ / heard.rate_hz)
    for _ in range(2):
        spectra, times = [], []
        for x, y, part, start in segment_pairs(played, heard, place, channel, size, size):
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


def segment_pairs(
    played: Source, heard: Source, place: PlayedAt, channel: int, size: int, hop: int
) -> Iterator[tuple[Reals, Reals, Reals, Reals]]:
    """Yield batches of segments of both along their alignment.

    Yields
    ------
    played, heard : ndarray of shape (segments, size)
    early : ndarray of shape (segments,)
        Part of a frame by which the played ones are early.
    starts : ndarray of shape (segments,)
        Where the heard ones start.
    """
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
