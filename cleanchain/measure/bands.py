"""Octave and third-octave bands by IEC 61260-1:2014, base 10, as sums over bins."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

#: Ratio of an octave (IEC 61260-1:2014, 5.2: base 10).
OCTAVE = 10**0.3
#: Names of the thirds within a decade (ISO 266, R10).
_NAMES = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
#: The unweighted band, Hz.
LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0


@dataclass(frozen=True)
class Band:
    """One band.

    Parameters
    ----------
    centre_hz, low_hz, high_hz : float
        Exact mid-band frequency and edges.
    name_hz : float
        Nominal frequency, as it is written.
    """

    centre_hz: float
    low_hz: float
    high_hz: float
    name_hz: float

    @property
    def name(self) -> str:
        """The nominal frequency in words: "31.5", "1 k"."""
        return _words(self.name_hz)


def bands(
    first_hz: float = 20.0, last_hz: float = 20_000.0, per_octave: int = 3
) -> tuple[Band, ...]:
    """Return the bands whose nominal centres lie from `first_hz` to `last_hz`.

    Parameters
    ----------
    first_hz, last_hz : float, optional
        Nominal centres of the lowest and the highest band, > 0.
    per_octave : int, optional
        3 for thirds or 1 for octaves.
    """
    step = OCTAVE ** (1 / per_octave)
    half = math.sqrt(step)
    numbers = range(
        round(math.log(first_hz / 1000) / math.log(step)),
        round(math.log(last_hz / 1000) / math.log(step)) + 1,
    )
    return tuple(
        Band(centre, centre / half, centre * half, nominal_hz(centre))
        for centre in (1000 * step**number for number in numbers)
    )


def centre_name(centre_hz: float) -> str:
    """Return the nominal frequency of the third octave at an exact frequency, in words."""
    return _words(nominal_hz(centre_hz))


def band_words(centre_hz: float) -> str:
    """Name a band with its unit, as the standard does: ``31.5 Hz``, ``1 kHz``."""
    name = centre_name(centre_hz)
    return f"{name}Hz" if name.endswith("k") else f"{name} Hz"


def _words(hz: float) -> str:
    return f"{hz:g}" if hz < 1000 else f"{hz / 1000:g} k"


def nominal_hz(centre_hz: float) -> float:
    """Return the nominal frequency (ISO 266) of the third octave at an exact frequency."""
    tenths = round(10 * math.log10(centre_hz))
    decade, step = divmod(tenths, 10)
    return _NAMES[step] * 10.0**decade


def band_weights(edges: tuple[tuple[float, float], ...], bins: int, bin_hz: float) -> Reals:
    """Part of every bin that lies in every band, shape (bands, bins).

    A bin reaches half its distance to either side; one that an edge cuts counts in parts, so
    that neighbouring bands add up to what spans them.
    """
    centres = np.arange(bins) * bin_hz
    low = np.array([edge[0] for edge in edges])[:, None]
    high = np.array([edge[1] for edge in edges])[:, None]
    inside = np.minimum(high, centres + bin_hz / 2) - np.maximum(low, centres - bin_hz / 2)
    part: Reals = np.clip(inside / bin_hz, 0.0, 1.0)
    return part
