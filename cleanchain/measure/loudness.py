"""Loudness to ITU-R BS.1770-5 and EBU Tech 3341/3342, streaming, for any sampling rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples, Source
from cleanchain.measure.k_weighting import KWeighting
from cleanchain.measure.loudness_gates import OFFSET_DB, gated_loudness, loudness_range
from cleanchain.measure.true_peak import MARGIN_FRAMES, TruePeak

_QUANTA_PER_S = 100  # power is summed in steps of 10 ms
_MOMENTARY, _SHORT_TERM, _HOP = 40, 300, 10  # in quanta: 400 ms, 3 s, 100 ms
_PIECE = 32  # warm-ups of the weighting in what is measured at a time, 5 s


#: How one channel counts: as it is, or as it sounds from two loudspeakers, 3.01 LU louder.
Mono = Literal["as-is", "dual"]


def channel_weights(channels: int, mono: Mono = "as-is") -> NDArray[np.float64]:
    """Return the weight of each channel: 1.41 for the surrounds of a 5-channel order L R C Ls Rs.

    Five channels are L R C Ls Rs and six are L R C LFE Ls Rs, the LFE left out (BS.1770-5 Annex 1,
    Table 3); any other count is taken as front channels of weight 1. A single channel counts once,
    or twice where `mono` is "dual".
    """
    if channels == 1 and mono == "dual":
        return np.array([2.0])
    if channels == 5:
        return np.array([1.0, 1.0, 1.0, 1.41, 1.41])
    if channels == 6:
        return np.array([1.0, 1.0, 1.0, 0.0, 1.41, 1.41])
    return np.ones(channels)


@dataclass(frozen=True)
class Loudness:
    """Loudness of a whole programme; None where it is not defined, with the reason.

    Parameters
    ----------
    integrated_lufs : float or None
        Gated loudness of the whole.
    range_lu : float or None
        Loudness range, EBU Tech 3342.
    momentary_max_lufs, short_term_max_lufs : float or None
        Largest loudness of 400 ms and of 3 s.
    true_peak_dbtp : float or None
        Largest true peak.
    true_peak_at_s : float
        When it occurs.
    reason : str
        Why the integrated loudness is None.
    blocks_lufs : ndarray of shape (blocks,)
        Loudness of 400 ms each 100 ms, what the integrated loudness is made of.
    """

    integrated_lufs: float | None
    range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    true_peak_dbtp: float | None
    true_peak_at_s: float
    reason: str = ""
    blocks_lufs: NDArray[np.float64] = field(
        default_factory=lambda: np.empty(0), repr=False, compare=False
    )


class LoudnessMeter:
    """Takes blocks of any size and tells the loudness of all of them.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in Hz.
    channels : int
        Number of channels.
    mono : {"as-is", "dual"}, optional
        How a single channel counts; see `channel_weights`.
    """

    def __init__(self, rate_hz: int, channels: int, mono: Mono = "as-is") -> None:
        self._rate_hz = rate_hz
        self._weights = channel_weights(channels, mono)
        self._k_weighting = KWeighting(rate_hz)
        self._true_peak = TruePeak(rate_hz)
        self._before = self._k_weighting.warm_up_frames
        self._piece = _PIECE * self._before
        #: What came before a piece, the piece, and the margin of the true peak.
        self._held = np.zeros((channels, self._before + self._piece + MARGIN_FRAMES))
        self._filled = self._before
        self._start = 0  # frame that the piece begins with
        self._sums: list[tuple[int, NDArray[np.float64]]] = []  # from a quantum on
        self._peak = (0.0, 0.0)  # and its frame

    def push(self, block: Samples) -> None:
        """Take (channels, n) further frames."""
        taken = 0
        while taken < block.shape[1]:
            count = min(block.shape[1] - taken, self._held.shape[1] - self._filled)
            self._held[:, self._filled : self._filled + count] = block[:, taken : taken + count]
            self._filled += count
            taken += count
            if self._filled == self._held.shape[1]:
                self._work()

    def _work(self) -> None:
        """Sum the power of a piece by quanta, look for its true peak, and go on to the next."""
        start = self._start
        first, last = self._quanta(start), self._quanta(start + self._piece - 1)
        inner = self._frames(np.arange(first + 1, last + 1)) - start
        begins = np.append(0, inner) + self._before
        sums = np.zeros(begins.size)
        for weight, channel in zip(self._weights, self._held, strict=True):
            window = channel[None, : self._before + self._piece]
            sums += weight * np.add.reduceat(self._k_weighting.power(window)[0], begins)
        self._sums.append((first, sums))
        begin = self._before - MARGIN_FRAMES
        stretch = self._held[:, begin : begin + self._piece + 2 * MARGIN_FRAMES]
        peak, place = self._true_peak.search(stretch, self._peak[0])
        if peak > self._peak[0]:
            self._peak = peak, start + place
        keep = self._before + MARGIN_FRAMES
        self._held[:, :keep] = self._held[:, -keep:].copy()
        self._filled = keep
        self._start += self._piece

    def _quanta(self, frame: int) -> int:
        """Return how many quanta have ended at a frame."""
        return (2 * _QUANTA_PER_S * frame + _QUANTA_PER_S - 1) // (2 * self._rate_hz)

    def _frames(self, quanta: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the frames at which quanta begin, to the nearest."""
        return (2 * quanta * self._rate_hz + _QUANTA_PER_S) // (2 * _QUANTA_PER_S)

    def result(self) -> Loudness:
        """Return the loudness of everything pushed so far; nothing may be pushed after it."""
        frames = self._start + self._filled - self._before
        if frames > self._start:
            self._held[:, self._filled :] = 0.0
            self._work()
        count = self._quanta(frames)
        quanta = np.zeros(self._quanta(self._start) + 1)
        for first, sums in self._sums:
            quanta[first : first + sums.size] += sums
        quanta = quanta[:count]
        peak, at = self._peak[0], max(self._peak[1] / self._rate_hz, 0.0)
        peak_dbtp = 20 * np.log10(peak) if peak > 0 else None
        if peak == 0:
            return Loudness(None, None, None, None, None, 0.0, "the take is silent")
        if quanta.size < _MOMENTARY:
            why = "the take is shorter than the 400 ms that loudness needs"
            return Loudness(None, None, None, None, peak_dbtp, at, why)
        energy = np.concatenate(([0.0], np.cumsum(quanta)))
        momentary = self._window_loudness(energy, _MOMENTARY)
        short_term = self._window_loudness(energy, _SHORT_TERM)
        blocks = momentary[::_HOP]
        integrated = gated_loudness(blocks)
        return Loudness(
            integrated_lufs=integrated,
            range_lu=loudness_range(short_term[::_HOP]),
            momentary_max_lufs=_finite_max(momentary),
            short_term_max_lufs=_finite_max(short_term),
            true_peak_dbtp=peak_dbtp,
            true_peak_at_s=at,
            reason="" if integrated is not None else "all of it lies below the -70 LUFS gate",
            blocks_lufs=blocks,
        )

    def _window_loudness(self, energy: NDArray[np.float64], quanta: int) -> NDArray[np.float64]:
        """Loudness of every window of so many quanta, one each 10 ms."""
        if energy.size <= quanta:
            return np.empty(0)
        begins = self._frames(np.arange(energy.size))
        frames = begins[quanta:] - begins[:-quanta]
        mean_square = np.maximum(energy[quanta:] - energy[:-quanta], 0.0) / frames
        with np.errstate(divide="ignore"):
            loudness: NDArray[np.float64] = OFFSET_DB + 10 * np.log10(mean_square)
        return loudness


def measure_loudness(source: Source, mono: Mono = "as-is") -> Loudness:
    """Measure a whole source in one pass."""
    meter = LoudnessMeter(source.rate_hz, source.channels, mono)
    for block in source.blocks():
        meter.push(block)
    return meter.result()


def loudness_together(takes: Sequence[Loudness]) -> float | None:
    """Return the integrated loudness of takes as one programme, with one gate for all, in LUFS."""
    return gated_loudness(np.concatenate([np.empty(0), *(take.blocks_lufs for take in takes)]))


def _finite_max(loudness: NDArray[np.float64]) -> float | None:
    top = float(loudness.max(initial=-np.inf))
    return top if np.isfinite(top) else None
