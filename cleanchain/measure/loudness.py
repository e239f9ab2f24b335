"""Loudness to ITU-R BS.1770-5 and EBU Tech 3341/3342, streaming, for any sampling rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples, Source
from cleanchain.fourier import fast_length, irfft, rfft
from cleanchain.measure.true_peak import TruePeakMeter

#: Analogue prototypes of the two K-weighting sections, from which the table of BS.1770-5 Annex 1
#: at 48 kHz follows by the bilinear transform to 1e-15: frequency in Hz, gain in dB, quality.
_SHELF = (1681.974450955533, 3.999843853973347, 0.7071752369554196)
_SHELF_BAND_EXPONENT = 0.4996667741545416
_HIGH_PASS = (38.13547087602444, 0.5003270373238773)
_REFERENCE_RATE_HZ = 48_000
#: From here on the bilinear transform keeps the response; below, it is sampled as it stands.
_PLAIN_FROM_HZ = 32_000

ABSOLUTE_GATE_LUFS = -70.0
_OFFSET_DB = -0.691
_QUANTUM_S = 0.01  # block energies are kept in steps of 10 ms
_MOMENTARY, _SHORT_TERM, _HOP = 40, 300, 10  # in quanta: 400 ms, 3 s, 100 ms


def k_response(frequency_hz: NDArray[np.float64], rate_hz: int) -> NDArray[np.complex128]:
    """Return the complex K-weighting response at frequencies, for audio at a sampling rate.

    Parameters
    ----------
    frequency_hz : ndarray
        Frequencies from 0 to half the sampling rate, Hz.
    rate_hz : int
        Sampling rate of the audio. At 32 kHz and above the coefficients are re-derived from the
        analogue prototype with the numerator that goes with them; below, the response of the
        48 kHz filters is used as it stands, so that it does not bend towards half the rate.

    Notes
    -----
    ITU-R BS.1770-5 (11/2023) Annex 1, Tables 1 and 2.
    """
    design_hz = rate_hz if rate_hz >= _PLAIN_FROM_HZ else _REFERENCE_RATE_HZ
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz) / design_hz)
    response: NDArray[np.complex128] = np.ones_like(z)
    for b, a in k_coefficients(design_hz):
        response *= (b[0] + b[1] * z + b[2] * z**2) / (a[0] + a[1] * z + a[2] * z**2)
    return response


def k_coefficients(rate_hz: float) -> tuple[tuple[Sequence[float], Sequence[float]], ...]:
    """Return numerator and denominator of the shelf and of the high-pass at a sampling rate.

    The analogue filters behind the table at 48 kHz, by the inverse bilinear transform, are taken
    to the rate by the bilinear transform.
    """
    slower = _REFERENCE_RATE_HZ / rate_hz
    hz, gain_db, quality = _SHELF
    k = slower * np.tan(np.pi * hz / _REFERENCE_RATE_HZ)
    high = 10 ** (gain_db / 20)
    band = high**_SHELF_BAND_EXPONENT
    norm = 1 + k / quality + k * k
    shelf = (
        [
            (high + band * k / quality + k * k) / norm,
            2 * (k * k - high) / norm,
            (high - band * k / quality + k * k) / norm,
        ],
        [1.0, 2 * (k * k - 1) / norm, (1 - k / quality + k * k) / norm],
    )
    hz, quality = _HIGH_PASS
    reference = np.tan(np.pi * hz / _REFERENCE_RATE_HZ)
    k = slower * reference
    norm = 1 + k / quality + k * k
    # The table's numerator is 1, -2, 1 at 48 kHz; at another rate it scales to keep the response.
    top = (1 + reference / quality + reference * reference) / norm
    high_pass = (
        [top, -2 * top, top],
        [1.0, 2 * (k * k - 1) / norm, (1 - k / quality + k * k) / norm],
    )
    return shelf, high_pass


def channel_weights(channels: int) -> NDArray[np.float64]:
    """Return the weight of each channel: 1.41 for the surrounds of a 5-channel order L R C Ls Rs.

    Five channels are L R C Ls Rs and six are L R C LFE Ls Rs, the LFE left out (BS.1770-5 Annex 1,
    Table 3); any other count is taken as front channels of weight 1.
    """
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
    """

    integrated_lufs: float | None
    range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    true_peak_dbtp: float | None
    true_peak_at_s: float
    reason: str = ""


class LoudnessMeter:
    """Takes blocks of any size and tells the loudness of all of them.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in Hz.
    channels : int
        Number of channels.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._weights = channel_weights(channels)
        # The high-pass has died away to 1e-12 after 6 of its periods.
        self._tail = int(np.ceil(6 * rate_hz / _HIGH_PASS[0]))
        self._size = fast_length(8 * self._tail)
        self._step = self._size - self._tail
        frequency_hz = np.arange(self._size // 2 + 1, dtype=np.float64) * (rate_hz / self._size)
        self._response = k_response(frequency_hz, rate_hz)
        self._held = np.zeros((channels, self._tail))
        self._pending: list[Samples] = []
        self._pending_frames = 0
        self._done = 0
        self._quanta: list[NDArray[np.float64]] = []
        self._open = 0.0  # energy of the quantum that has begun
        self._true_peak = TruePeakMeter(rate_hz, channels)

    def push(self, block: Samples) -> None:
        """Take (channels, n) further frames."""
        self._true_peak.push(block)
        self._pending.append(block)
        self._pending_frames += block.shape[1]
        batch = 4 * self._step  # transformed together, so that both cores have work
        if self._pending_frames < batch:
            return
        fresh = np.concatenate(self._pending, axis=1)
        for start in range(0, fresh.shape[1] - batch + 1, batch):
            self._weigh(fresh[:, start : start + batch])
        left = fresh[:, fresh.shape[1] // batch * batch :]
        self._pending, self._pending_frames = [left], left.shape[1]

    def _weigh(self, fresh: Samples) -> None:
        frames = fresh.shape[1]
        missing = -frames % self._step
        window = np.concatenate([self._held, fresh, np.zeros((fresh.shape[0], missing))], axis=1)
        self._held = window[:, frames : frames + self._tail].copy()
        pieces = np.lib.stride_tricks.sliding_window_view(window, self._size, axis=1)
        spectra = rfft(pieces[:, :: self._step])
        spectra *= self._response
        weighted = irfft(spectra, self._size)
        flat = weighted[..., self._tail :].reshape(fresh.shape[0], -1)[:, :frames]
        flat *= flat
        self._sum_quanta(self._weights @ flat)

    def _sum_quanta(self, power: NDArray[np.float64]) -> None:
        """Add up the power in steps of 10 ms, wherever the blocks happen to end."""
        per_quantum = self._rate_hz * _QUANTUM_S
        first = int(np.floor(self._done / per_quantum + 1e-9)) + 1
        last = int(np.floor((self._done + power.size) / per_quantum + 1e-9))
        ends = np.round(np.arange(first, last + 1) * per_quantum).astype(int) - self._done
        starts = np.concatenate(([0], ends))
        starts = starts[starts < power.size]
        sums = np.add.reduceat(power, starts)
        if ends.size and ends[-1] == power.size:
            sums = np.append(sums, 0.0)
        sums[0] += self._open
        self._quanta.append(sums[:-1])
        self._open = float(sums[-1])
        self._done += power.size

    def result(self) -> Loudness:
        """Return the loudness of everything pushed so far; nothing may be pushed after it."""
        if self._pending_frames:
            self._weigh(np.concatenate(self._pending, axis=1))
            self._pending, self._pending_frames = [], 0
        quanta = np.concatenate([np.empty(0), *self._quanta])
        peak, at = self._true_peak.result()
        peak_dbtp = 20 * np.log10(peak) if peak > 0 else None
        if peak == 0:
            return Loudness(None, None, None, None, None, 0.0, "the take is silent")
        if quanta.size < _MOMENTARY:
            why = "the take is shorter than the 400 ms that loudness needs"
            return Loudness(None, None, None, None, peak_dbtp, at, why)
        energy = np.concatenate(([0.0], np.cumsum(quanta)))
        momentary = self._window_loudness(energy, _MOMENTARY)
        short_term = self._window_loudness(energy, _SHORT_TERM)
        integrated = _gated(momentary[::_HOP], 10.0)
        return Loudness(
            integrated_lufs=integrated,
            range_lu=_range(short_term[::_HOP]),
            momentary_max_lufs=_finite_max(momentary),
            short_term_max_lufs=_finite_max(short_term),
            true_peak_dbtp=peak_dbtp,
            true_peak_at_s=at,
            reason="" if integrated is not None else "all of it lies below the -70 LUFS gate",
        )

    def _window_loudness(self, energy: NDArray[np.float64], quanta: int) -> NDArray[np.float64]:
        """Loudness of every window of so many quanta, one each 10 ms."""
        if energy.size <= quanta:
            return np.empty(0)
        ends = np.round(np.arange(energy.size) * self._rate_hz * _QUANTUM_S)
        frames = ends[quanta:] - ends[:-quanta]
        mean_square = np.maximum(energy[quanta:] - energy[:-quanta], 0.0) / frames
        with np.errstate(divide="ignore"):
            loudness: NDArray[np.float64] = _OFFSET_DB + 10 * np.log10(mean_square)
        return loudness


def measure_loudness(source: Source) -> Loudness:
    """Measure a whole source in one pass."""
    meter = LoudnessMeter(source.rate_hz, source.channels)
    for block in source.blocks():
        meter.push(block)
    return meter.result()


def _mean(loudness: NDArray[np.float64]) -> float:
    """Loudness of the mean power of blocks."""
    power = 10 ** ((loudness - _OFFSET_DB) / 10)
    return float(_OFFSET_DB + 10 * np.log10(power.mean()))


def _gated(blocks: NDArray[np.float64], relative_db: float) -> float | None:
    """Mean of the blocks above both gates (BS.1770-5 Annex 1, formulae 3 to 7)."""
    loud = blocks[blocks > ABSOLUTE_GATE_LUFS]
    if not loud.size:
        return None
    return _mean(loud[loud > _mean(loud) - relative_db])


def _range(short_term: NDArray[np.float64]) -> float | None:
    """Loudness range: 10th to 95th percentile of the gated short-term loudness (Tech 3342)."""
    loud = short_term[short_term > ABSOLUTE_GATE_LUFS]
    if not loud.size:
        return None
    loud = loud[loud > _mean(loud) - 20.0]
    low, high = np.percentile(loud, [10, 95])
    return float(high - low)


def _finite_max(loudness: NDArray[np.float64]) -> float | None:
    top = float(loudness.max(initial=-np.inf))
    return top if np.isfinite(top) else None
