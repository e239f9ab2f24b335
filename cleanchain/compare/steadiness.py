"""Whether the noise of a silence stays what it is, as every interval takes for granted."""

from __future__ import annotations

import numpy as np

from cleanchain.audio.source import Excerpt, Source
from cleanchain.measure.band_powers import hiss_powers, measure_floors
from cleanchain.measure.capture_checks import Check
from cleanchain.measure.differences import decide, differences, octave_differences

#: Shortest capture that is looked at, s.
_LEAST_S = 4.0
#: Chance that a steady noise is called unsteady, and the smallest change that is told, dB.
_ALARM, _LEAST_DB = 0.01, 0.3


def check_steady(name: str, silence: Source) -> Check | None:
    """Set the first half of a silence against the second.

    Parameters
    ----------
    name : str
        What the capture is called.
    silence : Source
        Of one channel.

    Returns
    -------
    Check or None
        None where it is too short to tell.
    """
    half = silence.frames // 2
    if silence.frames < _LEAST_S * silence.rate_hz:
        return None
    parts = [Excerpt(silence, ((start, start + half),), silence.name) for start in (0, half)]
    powers = hiss_powers(measure_floors(parts, nominal_hz=()))
    found, _ = decide([differences(*powers), octave_differences(*powers)], level=_ALARM)
    worst, where = 0.0, 0.0
    for one in found:
        size = np.where(one.differs, np.abs(one.difference_db), 0.0)
        place = int(np.argmax(size))
        if size[place] > worst:
            worst, where = float(size[place]), float(one.centre_hz[place])
    if worst < _LEAST_DB:
        return Check(name, "steady", True, "its halves are alike", worst)
    return Check(
        name,
        "steady",
        False,
        f"its halves differ by {worst:.1f} dB around {where:.0f} Hz, so that intervals are too "
        "narrow; repeat the captures in turn, A B A B",
        worst,
    )
