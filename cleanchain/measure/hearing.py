"""What a build hears of a noise played to it, against its own floor and a dead control."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from cleanchain.measure.bands import Band
from cleanchain.measure.levels import Estimates, Levels

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: A band is usable where what is heard stands this far above the floor (common practice).
MARGIN_DB = 6.0
#: One- and two-sided quantiles of 95 %, and how sure a heard power must be, standard deviations.
_ONE_SIDED, _TWO_SIDED, _SURE_SD = 1.645, 1.96, 3.0
#: Chance of calling a dead control alive, all bands together, and the excess that counts, dB.
FALSE_ALARM, _EXCESS_DB = 0.01, 1.0
#: Lines that lift a band by this much over its hiss decide whether it is usable, dB.
_LINED_DB = 3.0
#: Smallest ratio that has a level.
_LEAST = 1e-12


@dataclass(frozen=True, eq=False)
class Hearing:
    """What is heard in every band, and the floor it stands against.

    Parameters
    ----------
    bands : tuple of Band
        Third octaves.
    heard : Estimates
        Power of what is heard of the played noise.
    floor : Estimates
        Power of the build's own noise, lines and all.
    hiss : ndarray of shape (bands,)
        Power of the floor without its lines.
    """

    bands: tuple[Band, ...]
    heard: Estimates
    floor: Estimates
    hiss: Reals

    @property
    def sure(self) -> Flags:
        """Bands in which something is heard beyond doubt."""
        sd = np.sqrt(self.heard.variance)
        sure: Flags = (self.heard.power > _SURE_SD * sd) & (self.heard.power > 0)
        return sure

    @property
    def ratio_db(self) -> Reals:
        """Heard over floor, dB; very low where nothing is heard."""
        return _db(self.heard.power / np.maximum(self.floor.power, 1e-30))

    @property
    def highest_ratio_db(self) -> Reals:
        """Ratio that is not reached with 95 % confidence, dB."""
        most = np.maximum(self.heard.power, 0.0) + _ONE_SIDED * np.sqrt(self.heard.variance)
        return _db(most / np.maximum(self.floor.interval(0.90)[0], 1e-30))

    @property
    def ratio_interval_db(self) -> tuple[Reals, Reals]:
        """Bounds of the ratio, dB: 95 % of the heard power against 95 % of the floor, so wider."""
        spread = _TWO_SIDED * np.sqrt(self.heard.variance)
        floor_low, floor_high = self.floor.interval()
        low = np.maximum(self.heard.power - spread, 0.0) / np.maximum(floor_high, 1e-30)
        high = np.maximum(self.heard.power + spread, 0.0) / np.maximum(floor_low, 1e-30)
        return _db(low), _db(high)

    @property
    def usable(self) -> Flags:
        """Bands in which what is heard stands above the floor by the margin."""
        return self.sure & (self.ratio_db >= MARGIN_DB)

    @property
    def drowned(self) -> Flags:
        """Bands that are not usable for their lines, and may be without them."""
        most = np.maximum(self.heard.power, 0.0) + _ONE_SIDED * np.sqrt(self.heard.variance)
        lined = _db(self.floor.power / np.maximum(self.hiss, 1e-30)) >= _LINED_DB
        drowned: Flags = (
            ~self.usable & lined & (_db(most / np.maximum(self.hiss, 1e-30)) >= MARGIN_DB)
        )
        return drowned

    def usable_from(self) -> Band | None:
        """Lowest usable band from which the build hears on without a gap, None without any.

        Bands that hum drowns are no gap.
        """
        usable, drowned = self.usable, self.drowned
        if not usable.any():
            return None
        at = int(np.argmax(np.where(usable, self.ratio_db, -np.inf)))
        lowest = at
        while at > 0 and (usable[at - 1] or drowned[at - 1]):
            at -= 1
            lowest = at if usable[at] else lowest
        return self.bands[lowest]

    def surely_deaf_below(self, band: Band) -> bool:
        """Whether every band below one stays under the margin with 95 % confidence each."""
        return not self.unsure_below(band)

    def unsure_below(self, band: Band) -> tuple[Band, ...]:
        """Bands below one that may yet be heard over the margin."""
        told = (self.highest_ratio_db < MARGIN_DB) | self.drowned | self.usable
        return tuple(
            other
            for other, flag in zip(self.bands, told, strict=True)
            if other.centre_hz < band.centre_hz and not flag
        )


def heard_by_power(listening: Levels, silence: Levels) -> Estimates:
    """Power that a capture with the noise playing holds above the silence, lines left out.

    Nothing below some tenths of the floor is found in this way; see
    `cleanchain.measure.transfer.Transfer.heard_in` for what the known noise makes visible.
    """
    one, other = listening.band_hiss, silence.band_hiss
    return Estimates(one.power - other.power, one.variance + other.variance)


def hears_more(build: Estimates, control: Estimates) -> bool:
    """Whether a build hears anything that the dead control does not.

    Each band is tested, and all of them together; chance calls a dead build alive in at most one
    of a hundred cases (Bonferroni's bound, normal deviations). The excess must come to 1 dB of
    the control's leak, by which leaks differ from one placing to the next (common practice).

    Parameters
    ----------
    build, control : Estimates
        Heard power of both in the same bands, at the same gain and level of the played noise.
    """
    leak = np.maximum(control.power, 0.0) * 10 ** (_EXCESS_DB / 10)
    sd = np.sqrt(build.variance + 10 ** (2 * _EXCESS_DB / 10) * control.variance)
    deviation = (build.power - leak) / np.maximum(sd, 1e-30)
    single = float(-ndtri(FALSE_ALARM / 2 / deviation.size))
    together = float(-ndtri(FALSE_ALARM / 2))
    mean = float(deviation.sum() / np.sqrt(deviation.size))
    return bool(deviation.max() > single) or mean > together


def _db(ratio: Reals) -> Reals:
    level: Reals = 10 * np.log10(np.maximum(ratio, _LEAST))
    return level
