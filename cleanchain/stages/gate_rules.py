"""How a gate decides its gains: by what surrounds a place, or by a threshold."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from cleanchain.operators.short_time import Rule

Gains = NDArray[np.float32]

#: Bins to either side that are averaged across frequency.
WIDE_BINS = 16
#: Bins of short frames, up to some 300 Hz, of which an octave holds too few to be sure of it.
LOW_BINS = 10
#: Places that are worked on together: what they need stays in a core's cache.
_PLACES_A_PIECE = 1 << 17
#: Levels above the floor that the table tells apart: four an octave, from 1/8 to 4096 times.
_LOWEST, _OCTAVES, _AN_OCTAVE = 2.0**-3, 15, 4
LEVELS = _OCTAVES * _AN_OCTAVE
TableName = Literal["long", "short"]
#: The tables there are, and by how many doublings each averages along time: long frames for
#: partials, short ones for attacks.
TABLES: dict[TableName, int] = {"long": 4, "short": 3}
#: The file of a table holds attenuations in steps of this, dB, at every second level.
STORED_STEP_DB = 0.25


@dataclass(frozen=True, eq=False)
class EstimateRule(Rule):
    """Gain by what surrounds a place: close by, along time, and across frequency.

    The power over the floor is averaged in three ways: over the place and its neighbours in time
    (1 2 1), along many hops (a partial holds on), and over 33 bins (an attack is wide). For every
    combination of these three levels a table holds the gain that leaves least error in mixtures
    whose parts are known (`tests/bench/gate_table.py` makes it). That is a Wiener gain whose prior
    is read off music instead of assumed, and quick: sums, a shift of bits for each logarithm, and
    a look-up take the place of exponentials.

    In the lowest bins of short frames what is left of the gain to one is squared: an attack that
    is hardly seen there would lose its weight, and hides the hiss for as long as they last.

    Parameters
    ----------
    table : {"long", "short"}
        Which frames it was learned on; see `TABLES`.
    floor : ndarray of shape (channels, bins)
        Mean power of the noise.
    least : float
        Smallest gain.
    link : bool
        One gain for all channels.
    """

    table: TableName
    floor: NDArray[np.float64]
    least: float
    link: bool

    @property
    def reach(self) -> int:
        """Hops before and after a place that its gain depends on."""
        return (1 << TABLES[self.table]) - 1

    def gains(self, power: Gains) -> Gains:
        """Return the gains of a stretch; see `Rule.gains`."""
        floor = self.floor
        if self.link:
            power, floor = power.sum(axis=0, keepdims=True), floor.sum(axis=0, keepdims=True)
        over = np.pad((1 / floor).astype(np.float32), ((0, 0), (WIDE_BINS, WIDE_BINS)), "edge")
        table = np.maximum(_gains(self.table), np.float32(self.least))
        channels, times, bins = power.shape
        together = max(_PLACES_A_PIECE // times, 1)
        gain = np.empty((channels, times - 2 * self.reach, bins), dtype=np.float32)

        for channel, start in itertools.product(range(channels), range(0, bins, together)):
            stop = min(start + together, bins)
            # Beyond the lowest and the highest frequency the last bin is held.
            around = np.arange(start - WIDE_BINS, stop + WIDE_BINS)
            inside = start >= WIDE_BINS and stop + WIDE_BINS <= bins
            part = slice(around[0], around[-1] + 1) if inside else np.clip(around, 0, bins - 1)
            ratio = power[channel][:, part] * over[channel, start : stop + 2 * WIDE_BINS]
            place = surroundings(ratio, TABLES[self.table])
            np.take(table, place, out=gain[channel, :, start:stop], mode="clip")
        if self.table == "short":
            low = gain[..., :LOW_BINS]
            low *= 2 - low
        return np.broadcast_to(gain, (self.floor.shape[0], *gain.shape[1:]))


def surroundings(ratio: Gains, doublings: int) -> NDArray[np.int32]:
    """Return where in the table the gains of a stretch stand.

    Parameters
    ----------
    ratio : ndarray of float32, shape (times + 2 (2^doublings - 1), bins + 32)
        Power over floor, with all that is averaged before and after, below and above.
    doublings : int
        The average along time is one over 2^doublings hops of such averages.

    Returns
    -------
    ndarray of int32, shape (times, bins)
        (close * LEVELS + along) * LEVELS + across, each a level of 0 to LEVELS - 1.
    """
    hop, bins = 2**doublings - 1, WIDE_BINS
    pairs = ratio[:-1] + ratio[1:]
    close = (pairs[:-1] + pairs[1:])[hop - 1 : 1 - hop]
    # Sums by doubling, twice over: triangular weights, no cancellation.
    along = _doubled(_doubled(pairs, 1, doublings), 0, doublings)[:, bins - 1 : 1 - bins].T
    along = _doubled(_doubled(along, 0, 1), 0, 1).T
    across = _doubled(_doubled(close.T, 0, 5), 0, 1).T
    place = _level(close[:, bins:-bins], 4)
    for sums, weight in ((along, 4 ** (doublings + 1)), (across, 256)):
        place *= LEVELS
        place += _level(sums, weight)
    return place


def _doubled(values: Gains, first: int, last: int) -> Gains:
    """Return sums of 2^last successive rows from sums of 2^first of them."""
    for power in range(first, last):
        values = values[: -(2**power)] + values[2**power :]
    return values


def _level(sums: Gains, weight: int) -> NDArray[np.int32]:
    """Return the level, 0 to LEVELS - 1, of sums whose weights add up to a number.

    The upper bits of a number in single precision are its logarithm, straight between the
    octaves: the exponent and two more bits count quarters of an octave.
    """
    lowest = np.float32(_LOWEST * weight)
    highest = np.nextafter(np.float32(lowest * 2**_OCTAVES), np.float32(0))
    bits = np.clip(sums, lowest, highest).view(np.int32)
    bits >>= 21
    bits -= lowest.view(np.int32) >> 21
    return bits


@cache
def _gains(table: TableName) -> Gains:
    """Return the gains by their place, see `surroundings`."""
    stored = np.load(Path(__file__).with_name(f"gate_{table}.npy"))
    gains = 10 ** (stored.astype(np.float32) * np.float32(-STORED_STEP_DB / 20))
    # The levels between the stored ones by straight lines.
    at = np.clip((np.arange(LEVELS) - 0.5) / 2, 0, stored.shape[0] - 1)
    below = np.minimum(at.astype(int), stored.shape[0] - 2)
    for axis in range(3):
        part = (at - below).astype(np.float32).reshape([-1 if a == axis else 1 for a in range(3)])
        gains = (1 - part) * gains.take(below, axis) + part * gains.take(below + 1, axis)
    return np.ascontiguousarray(gains).ravel()


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
        smooth = np.stack([_smooth(one.astype(np.float32)) for one in opened])
        least = np.float32(self.least)
        return least + (1 - least) * smooth


def _smooth(opened: Gains) -> Gains:
    """Average over five hops (1 2 3 2 1) and five bins (1 4 6 4 1), the outer bins held."""
    threes = opened[:-2] + opened[1:-1] + opened[2:]
    along = threes[:-2] + threes[1:-1] + threes[2:]
    across = np.pad(along, ((0, 0), (2, 2)), mode="edge").T
    for _ in range(4):
        across = _doubled(across, 0, 1)
    return np.ascontiguousarray(across.T) * np.float32(1 / 144)
