"""From full scale to volts: what a recording's levels were at the input."""

from __future__ import annotations

import math
from dataclasses import dataclass

from cleanchain.audio.source import Source
from cleanchain.errors import InputError
from cleanchain.measure.levels import measure_levels
from cleanchain.units import power_db

#: 0 dBu: 1 mW into 600 ohm.
DBU_V = math.sqrt(0.6)
#: A calibration tone carries at least this part of its file's power.
_PURE = 0.9


@dataclass(frozen=True)
class Calibration:
    """The voltage of full scale.

    Parameters
    ----------
    full_scale_v : float
        Rms voltage at the input of a sine that just reaches full scale, so that of 0 dBFS.
    words : str
        Where it comes from.
    """

    full_scale_v: float
    words: str

    @property
    def dbu(self) -> float:
        """What to add to dBFS for dBu."""
        return 20 * math.log10(self.full_scale_v / DBU_V)

    @property
    def dbv(self) -> float:
        """What to add to dBFS for dBV."""
        return 20 * math.log10(self.full_scale_v)

    def volts_squared(self, mean_square: float) -> float:
        """Mean square in V^2 of a mean square at full scale 1."""
        return 2 * mean_square * self.full_scale_v**2


def calibrate(tone: Source, volts: float, channel: int = 0) -> Calibration:
    """Find the voltage of full scale from a recorded tone.

    Parameters
    ----------
    tone : Source
        A steady sine, recorded at the gain of the captures.
    volts : float
        Its rms voltage at the input, > 0.
    channel : int, optional
        Counted from 0.

    Raises
    ------
    InputError
        If the recording is not mainly one tone.
    """
    levels = measure_levels(tone, channel)
    line = max(levels.split.lines, key=lambda one: one.power, default=None)
    if line is None or line.power < _PURE * levels.power():
        raise InputError(
            "is not mainly one steady tone, so it calibrates nothing",
            where=tone.name,
            fix="Record a sine of known level, 1 kHz for instance, at the gain of the captures.",
        )
    level_dbfs = power_db(2 * line.power)
    return Calibration(
        volts / math.sqrt(2 * line.power),
        f"a tone of {line.frequency_hz:.1f} Hz reads {level_dbfs:.2f} dBFS",
    )
