"""A known noise found in what a build recorded of it: its lag, and the drift of the clocks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from cleanchain.audio.source import Source
from cleanchain.errors import FitError, InputError
from cleanchain.measure.bands import HIGHEST_HZ
from cleanchain.measure.noise_search import NoiseSearch, PlayedAt

Reals = NDArray[np.float64]

#: Most of a recording that is searched, frames.
_MOST_FRAMES = 1 << 23
#: Frames of it that are read at once.
_READ_FRAMES = 1 << 18
#: Segments of the transfer, s, to the nearest power of two of frames.
SEGMENT_S = 0.34


class KnownNoise:
    """A noise as it was played, for which recordings are searched one after the other.

    Parameters
    ----------
    source : Source
        Its first channel; not silent.

    Raises
    ------
    InputError
        If it is silent.
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self._search = NoiseSearch(_sounding(source, 0), source.rate_hz)

    def find_in(self, heard: Source, channel: int = 0, search_drift: bool = True) -> PlayedAt:
        """Find it in a recording, see `find_played`."""
        if self.source.rate_hz != heard.rate_hz:
            raise FitError(
                f"has {heard.rate_hz} Hz, but what was played has {self.source.rate_hz} Hz",
                where=heard.name,
                fix="Record at the rate of the stimulus, or write a stimulus at this rate.",
            )
        place = self._search.find(_sounding(heard, channel), search_drift)
        return _refined(self.source, heard, place, channel) if place.found else place


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
    """
    return KnownNoise(played).find_in(heard, channel, search_drift)


def _sounding(source: Source, channel: int) -> NDArray[np.float32]:
    """Read what is searched, in single precision from the start: twice as much would lie here."""
    wave = np.empty(min(source.frames, _MOST_FRAMES), dtype=np.float32)
    for start in range(0, wave.size, _READ_FRAMES):
        stop = min(start + _READ_FRAMES, wave.size)
        wave[start:stop] = source.read(start, stop)[channel]
    if not wave.any():
        raise InputError("is digital silence", where=source.name)
    return wave


def _refined(played: Source, heard: Source, place: PlayedAt, channel: int) -> PlayedAt:
    """Refine the drift by the phase that turns from segment to segment."""
    size = segment_frames(heard.rate_hz)
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    omega = (2 * np.pi * np.arange(size // 2 + 1) / size).astype(np.float32)
    inside = (omega > 0) & (omega < 2 * np.pi * HIGHEST_HZ / heard.rate_hz)
    for _ in range(2):
        spectra, times = [], []
        for x, y, part, start in segment_pairs(played, heard, place, channel, size, size):
            if start[0] > _MOST_FRAMES:
                break
            cross = np.conj(_spectra(x, window)) * _spectra(y, window)
            cross *= np.exp(np.complex64(-1j) * omega * part[:, None].astype(np.float32))
            cross /= np.maximum(np.abs(cross), np.float32(1e-36))
            spectra.append(np.where(inside, cross, np.complex64(0)))
            times.append(start + size / 2)
        if not times:
            return place
        cross, time = np.concatenate(spectra), np.concatenate(times)
        usual = cross.mean(axis=0)
        # The part in quadrature with the usual phase is how far a segment is late.
        turned = cross * np.conj(usual)
        curve = float((omega**2 * turned.real).sum(axis=1).mean())
        late = -(omega * turned.imag).sum(axis=1, dtype=np.float64) / max(curve, 1e-300)
        away = time - time.mean()
        slope = float((away * late).sum() / max(float((away**2).sum()), 1e-300))
        place = replace(
            place,
            lag_frames=place.lag_frames - slope * float(time.mean()),
            drift_ppm=place.drift_ppm + 1e6 * slope,
        )
    return place


def segment_frames(rate_hz: int) -> int:
    """Return the length of a segment of the transfer at a rate, a power of two."""
    return 1 << round(math.log2(SEGMENT_S * rate_hz))


def _spectra(pieces: Reals, window: NDArray[Any]) -> NDArray[Any]:
    """Spectra of windowed pieces in single precision, which is far finer than what chance does."""
    return np.asarray(fft.rfft(pieces.astype(np.float32) * window, axis=-1))


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
