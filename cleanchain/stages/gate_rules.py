"""How a gate decides its gains: an estimate of the signal, or a threshold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.operators.short_time import Rule
from cleanchain.threads import helpers

Gains = NDArray[np.float32]

#: Half widths, in hops, of the averages over time: of the power, of the signal, of its presence.
_POWER_HOPS, _SIGNAL_HOPS, _PRESENCE_HOPS = 2, 2, 6
_PASSES = 2
#: Log odds that a place holds no signal where its surroundings hold none, and what surroundings
#: full of signal take off.
_ABSENT, _SUPPORT = 6.0, 6.0
#: A place opens by as much as the presence around it, over time or over frequencies, lies between
#: these: a lone peak of the noise has no such support and stays shut, a partial or an attack has.
_SHUT_BELOW, _OPEN_ABOVE = 0.15, 0.35
_SUPPORT_HOPS, _SUPPORT_BINS = 10, 16
#: Bins that are worked on together, and how far a place depends on its neighbours in frequency.
_BINS_A_PIECE = 512
_REACH_BINS = _PASSES + _SUPPORT_BINS + 1
#: First guess of presence: a soft step at this ratio of averaged power to floor.
_STEP_AT, _STEP_SLOPE = 1.8, 4.0


@dataclass(frozen=True, eq=False)
class EstimateRule(Rule):
    """Gain = probability that a signal is present, times its share of the power.

    The variance of the signal in each place is estimated by expectation and maximisation over a
    few hops before and after (it is locally steady along a partial), its presence by the
    likelihood ratio of complex Gaussian signal and noise with a prior that the presence around
    it moves. Gains of the Wiener form, presence as in Ephraim and Malah (1984, sec. V); averages
    over future frames as in Cohen (2004), both from memory.

    Parameters
    ----------
    floor : ndarray of shape (channels, bins)
        Mean power of the noise.
    least : float
        Smallest gain.
    link : bool
        One gain for all channels.
    """

    floor: NDArray[np.float64]
    least: float
    link: bool

    @property
    def reach(self) -> int:
        """Hops before and after a place that its gain depends on."""
        return _POWER_HOPS + _PASSES * (_SIGNAL_HOPS + _PRESENCE_HOPS) + _SUPPORT_HOPS

    def gains(self, power: Gains) -> Gains:
        """Return the gains of a stretch; see `Rule.gains`."""
        if self.link:
            power = power.sum(axis=0, keepdims=True)
            floor = self.floor.sum(axis=0, keepdims=True)
        else:
            floor = self.floor
        gain = np.empty_like(power)
        pieces = [
            (channel, start)
            for channel in range(power.shape[0])
            for start in range(0, power.shape[2], _BINS_A_PIECE)
        ]

        def work(piece: tuple[int, int]) -> None:
            channel, start = piece
            low, stop = max(start - _REACH_BINS, 0), start + _BINS_A_PIECE
            high = min(stop + _REACH_BINS, power.shape[2])
            ratio = power[channel, :, low:high] / floor[channel, low:high].astype(np.float32)
            np.minimum(ratio, np.float32(1e8), out=ratio)
            gain[channel, :, start:stop] = _estimate(ratio)[:, start - low : stop - low]

        # Pieces that stay in a core's cache, on both cores: numpy lets go of its lock meanwhile.
        with helpers(2) as pool:
            list(pool.map(work, pieces))
        np.clip(gain, np.float32(self.least), np.float32(1.0), out=gain)
        return np.broadcast_to(gain, (self.floor.shape[0], *gain.shape[1:]))


def _estimate(ratio: Gains) -> Gains:
    """Gains of one channel from the ratio of power to floor, shape (times, bins)."""
    snr = np.maximum(_over_time(ratio, _POWER_HOPS) - 1, np.float32(1e-3))
    presence = _logistic(np.float32(_STEP_SLOPE) * (snr + np.float32(1 - _STEP_AT)))
    share = snr / (1 + snr)
    for _ in range(_PASSES):
        # Expected power of the signal given what was seen, then its local mean.
        expected = presence * share * (share * ratio + 1)
        snr = np.maximum(_over_time(expected, _SIGNAL_HOPS), np.float32(1e-3))
        share = snr / (1 + snr)
        around = _over_bins(_over_time(presence, _PRESENCE_HOPS))
        odds = share * ratio - np.log(1 + snr)
        odds += np.float32(_SUPPORT) * around - np.float32(_ABSENT)
        presence = _logistic(odds)
    presence *= _supported(presence)
    presence *= share
    return presence


def _supported(presence: Gains) -> Gains:
    """Return how far each place may open by what is present around it, 0 to 1, a smooth step."""
    along = _over_bins(_over_time(presence, _SUPPORT_HOPS))
    across = _running(
        np.pad(presence.T, ((_SUPPORT_BINS, _SUPPORT_BINS), (0, 0)), mode="edge"),
        2 * _SUPPORT_BINS + 1,
    ).T
    step = np.maximum(along, across)
    step -= np.float32(_SHUT_BELOW)
    step *= np.float32(1 / (_OPEN_ABOVE - _SHUT_BELOW))
    np.clip(step, np.float32(0), np.float32(1), out=step)
    smooth: Gains = step * step * (3 - 2 * step)
    return smooth


def _logistic(odds: Gains) -> Gains:
    np.clip(odds, np.float32(-40), np.float32(40), out=odds)
    np.negative(odds, out=odds)
    np.exp(odds, out=odds)
    odds += 1
    return np.reciprocal(odds, out=odds)


def _over_time(values: Gains, half: int) -> Gains:
    """Average over 2 half + 1 times with triangular weights, ends held.

    Two running means of half + 1 make the triangle; each is a few additions, not a sum a place.
    """
    padded = np.pad(values, ((half, half), (0, 0)), mode="edge")
    return _running(_running(padded, half + 1), half + 1)


def _running(values: Gains, width: int) -> Gains:
    """Mean over `width` successive times, by doubling: no cancellation, bits fixed by place."""
    total = None
    offset, span, power = 0, 1, values
    left = width
    while left:
        if left & 1:
            piece = power[offset : offset + values.shape[0] - width + 1]
            total = piece.copy() if total is None else total + piece
            offset += span
        left >>= 1
        if left:
            power = power[:-span] + power[span:]
            span *= 2
    assert total is not None
    total *= np.float32(1 / width)
    return total


def _over_bins(values: Gains) -> Gains:
    """Average over a bin and its neighbours, weights 1 2 1, ends held."""
    padded = np.pad(values, ((0, 0), (1, 1)), mode="edge")
    middle = padded[:, 1:-1] * np.float32(0.5)
    middle += np.float32(0.25) * padded[:, :-2]
    middle += np.float32(0.25) * padded[:, 2:]
    return middle


@dataclass(frozen=True, eq=False)
class ThresholdRule(Rule):
    """Gain 1 where the power passes a threshold, smoothed over time and frequency.

    Parameters
    ----------
    opens_at : ndarray of shape (channels, bins)
        Power above which a place is open.
    least : float
        Gain of a closed place.
    link : bool
        One gain for all channels.
    """

    opens_at: NDArray[np.float64]
    least: float
    link: bool

    @property
    def reach(self) -> int:
        """Hops before and after a place that its gain depends on."""
        return 2

    def gains(self, power: Gains) -> Gains:
        """Return the gains of a stretch; see `Rule.gains`."""
        opened = power > self.opens_at[:, None].astype(np.float32)
        if self.link:
            opened = np.broadcast_to(opened.any(axis=0, keepdims=True), opened.shape)
        smooth = [_over_bins(_over_bins(_over_time(one.astype(np.float32), 2))) for one in opened]
        least = np.float32(self.least)
        return least + (1 - least) * np.stack(smooth)
