"""A known noise searched for in a recording: at which lag, along which drift of the clocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from cleanchain.measure.bands import HIGHEST_HZ, LOWEST_HZ

Reals = NDArray[np.float64]

#: Frames of the stretches that a recording is cut into; so many are transformed together.
_CHUNK, _TOGETHER = 1 << 16, 32
#: Bins of a spectrum that are worked on at once.
_BINS = 1 << 18
#: The whole transform's length is a multiple of this, so that recordings of nearly one length
#: share the spectrum of the noise.
_ROUND = 1 << 16
#: Largest difference of the clocks that is found, and when a correlation is no chance.
MOST_DRIFT_PPM, FOUND_SD = 200.0, 8.0
_CLEAR_SD = 20.0


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


class NoiseSearch:
    """Searches recordings for one known noise, whose spectrum is kept from one to the next.

    Parameters
    ----------
    wave : ndarray of shape (frames,)
        The noise; kept as it is if it is of single precision.
    rate_hz : int
        Its rate.

    Notes
    -----
    Every frequency of the band counts alike, whatever its level (Knapp and Carter 1976), so that
    hum does not decide. The correlations of stretches are added along every difference of the
    clocks up to 200 ppm. All in single precision: a part in ten million is nothing beside chance.
    """

    def __init__(self, wave: NDArray[Any], rate_hz: int) -> None:
        self._wave = wave.astype(np.float32, copy=False)
        self._rate_hz = rate_hz
        self._size = 0
        self._spectrum: NDArray[Any] = np.zeros(0, dtype=np.complex64)

    def find(self, heard: NDArray[Any], search_drift: bool = True) -> PlayedAt:
        """Search a recording, shape (frames,), as a whole first, then by parts of it.

        Parameters
        ----------
        heard : ndarray of shape (frames,)
        search_drift : bool, optional
            Whether to look at the parts.
        """
        x, y = self._wave, heard.astype(np.float32, copy=False)
        reach = int(MOST_DRIFT_PPM * 1e-6 * y.size / 2) + 2
        size = fft.next_fast_len(-(-(x.size + y.size) // _ROUND) * _ROUND, real=True)
        if size != self._size:
            # That of another length goes before this one is made.
            self._size, self._spectrum = size, np.zeros(0, dtype=np.complex64)
            self._spectrum = self._inside(self._whitened(x, size), size).copy()
        whole, _ = self._coarse_lag(y)
        place = self._fine(y, whole, 2 * reach + 32)
        if place.strength_sd >= _CLEAR_SD or not search_drift:
            return place
        # A drift draws the peak out over the whole length, less so over a part of it.
        part = 2 * _CHUNK
        drawn_out = int(MOST_DRIFT_PPM * 1e-6 * part)
        peaks = []
        for start in range(0, y.size - part + 1, max((y.size - part) // 3, part)):
            lag, height = self._coarse_lag(y[start : start + part], drawn_out)
            peaks.append((height, lag + start))
        if not peaks:
            return place
        other = self._fine(y, max(peaks)[1], 2 * reach + 32)
        return max(place, other, key=lambda found: found.strength_sd)

    def _whitened(self, wave: NDArray[Any], size: int) -> NDArray[Any]:
        """Spectrum of unit magnitude in the band and of zeros beside it."""
        spectrum = np.asarray(fft.rfft(wave, size, axis=-1))
        low, high = self._band(size)
        spectrum[..., :low] = 0
        spectrum[..., high:] = 0
        for start in range(low, high, _BINS):  # what lies between is small
            part = spectrum[..., start : min(start + _BINS, high)]
            square = part.real**2 + part.imag**2
            part *= 1 / np.sqrt(np.maximum(square, np.float32(1e-36)))
        return spectrum

    def _band(self, size: int) -> tuple[int, int]:
        """First bin of the band and the first one beyond it."""
        low, high = (int(hz * size / self._rate_hz) for hz in (LOWEST_HZ, HIGHEST_HZ))
        return low, min(high, size // 2) + 1

    def _inside(self, spectrum: NDArray[Any], size: int) -> NDArray[Any]:
        """View the bins of the band."""
        low, high = self._band(size)
        return spectrum[..., low:high]

    def _correlation(self, x: NDArray[Any], y: NDArray[Any], size: int) -> NDArray[Any]:
        """Correlate by whitened spectra, of x the band alone; the lag of y is the index.

        The spectrum of y is used up.
        """
        inside = self._inside(y, size)
        for start in range(0, inside.shape[-1], _BINS):
            part = slice(start, start + _BINS)
            inside[..., part] *= np.conj(x[..., part])
        return np.asarray(fft.irfft(y, size, axis=-1, overwrite_x=True))

    def _coarse_lag(self, y: NDArray[Any], width: int = 1) -> tuple[int, float]:
        """Lag whose surroundings of some width hold the most correlation, and how much of it."""
        size = self._size
        square = self._correlation(self._spectrum, self._whitened(y, size), size)
        square *= square
        around = square
        if width > 1:
            total = np.zeros(size + width + 1)
            np.cumsum(square, dtype=np.float64, out=total[1 : size + 1])
            total[size + 1 :] = total[size] + total[1 : width + 1]
            around = total[width : width + size] - total[:size]
        best = int(np.argmax(around))
        height = float(around[best] / max(float(square.mean()) * width, 1e-300))
        best = (best + width // 2) % size
        return (best if best < y.size else best - size), height

    def _fine(self, y: NDArray[Any], coarse: int, reach: int) -> PlayedAt:
        """Add the stretches' correlations along every drift; the best one wins."""
        x = self._wave
        chunk = min(_CHUNK, max(y.size // 8, 4096))
        # Evenly to both ends, so that their middle is that of the recording.
        count = -(-y.size // chunk) if y.size >= chunk else 0
        starts = [
            start
            for start in np.rint(np.linspace(0, y.size - chunk, count)).astype(int).tolist()
            if start - coarse - reach < x.size and start + chunk - coarse + reach > 0
        ]
        if not starts:
            return PlayedAt(float(coarse), 0.0, 0.0)
        # As long as the longer piece: the lags that are looked at do not wrap around.
        size = int(fft.next_fast_len(chunk + 2 * reach, real=True))
        rows = []
        for at in range(0, len(starts), _TOGETHER):
            batch = starts[at : at + _TOGETHER]
            first = [start - coarse - reach for start in batch]
            pieces = np.stack([_cut(x, low, low + chunk + 2 * reach) for low in first])
            heard = np.stack([y[start : start + chunk] for start in batch])
            found = self._correlation(
                self._inside(self._whitened(pieces, size), size), self._whitened(heard, size), size
            )
            # The lag of the stretch is coarse + k for k = -reach ... reach.
            rows.append(np.roll(found, 2 * reach, axis=-1)[:, : 2 * reach + 1])
        table = np.concatenate(rows).astype(np.float64)
        middle = np.array(starts) + chunk / 2
        away = middle - middle.mean()
        span = max(float(np.abs(away).max()), 1.0)
        step = 0.5 / span
        reached = int(MOST_DRIFT_PPM * 1e-6 / step)  # a short recording shows no drift at all
        grid = step * np.arange(-reached, reached + 1)
        edge = int(np.ceil(MOST_DRIFT_PPM * 1e-6 * span)) + 2
        padded = np.pad(table, ((0, 0), (edge, edge)))
        width = table.shape[1]
        stacks = np.array(
            [_stack(padded, np.rint(drift * away).astype(int) + edge, width) for drift in grid]
        )
        noise = float(np.sqrt(np.mean(stacks**2)))
        at, lag = divmod(int(np.argmax(np.abs(stacks))), stacks.shape[1])
        top = float(np.abs(stacks[at, lag]))
        sign = 1.0 if stacks[at, lag] > 0 else -1.0
        drift = float(grid[at]) + step * _vertex(sign * stacks[:, lag], int(at))
        centre = coarse - reach + float(lag) + _vertex(sign * stacks[at], int(lag))
        return PlayedAt(
            centre - drift * float(middle.mean()), 1e6 * drift, top / max(noise, 1e-300)
        )


def _cut(wave: NDArray[Any], start: int, stop: int) -> NDArray[Any]:
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
