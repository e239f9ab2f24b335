"""Whether the content of a recording ends at a cliff, as lossy coding and resampling leave it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source

Reals = NDArray[np.float64]

_FRAME, _MOST_FRAMES = 8192, 200
#: Widths in which the levels on both sides of a cliff are taken, and the gap between them, Hz.
_SIDE_HZ, _GAP_HZ = 1500.0, 600.0
#: A recording's own hiss falls by less than this within the gap (common practice, no source).
_CLIFF_DB = 25.0
_LOWEST_HZ = 8000.0
#: Width to which finer bins are joined, Hz.
_BIN_HZ = 6.0


def find_steep_cut_hz(source: Source) -> float | None:
    """Return the frequency at which the spectrum falls off a cliff, None where there is none.

    The mean spectrum of up to 200 frames is looked at, see `steep_cut_hz`.

    Parameters
    ----------
    source : Source
        Finite samples.
    """
    if source.frames < _FRAME or source.rate_hz < 2.2 * _LOWEST_HZ:
        return None
    starts = np.linspace(0, source.frames - _FRAME, min(_MOST_FRAMES, source.frames // _FRAME))
    window = np.hanning(_FRAME)
    power = np.zeros(_FRAME // 2 + 1)
    for start in starts.astype(int):
        frame = source.read(int(start), int(start) + _FRAME)
        power += (np.abs(np.fft.rfft(frame * window, axis=-1)) ** 2).mean(axis=0)
    return steep_cut_hz(power, source.rate_hz / _FRAME)


def steep_cut_hz(power: Reals, bin_hz: float) -> float | None:
    """Return the frequency at which a mean spectrum falls off a cliff, None where it does not.

    On one side of a cliff of 600 Hz, from 8 kHz up, the level is at least 25 dB above that on the
    other side, and it stays down from there.

    Parameters
    ----------
    power : ndarray of shape (bins,)
        Power or density from 0 Hz to half the rate.
    bin_hz : float
        Distance of the bins; fine ones are joined.
    """
    joined = max(int(_BIN_HZ / bin_hz), 1)
    power = power[: power.size // joined * joined].reshape(-1, joined).sum(axis=1)
    bin_hz *= joined
    if not power.size or power.max() <= 0.0:
        return None
    level_db = 10 * np.log10(power + 1e-30 * power.max())
    side, gap = int(_SIDE_HZ / bin_hz), int(_GAP_HZ / bin_hz)
    first = max(int(_LOWEST_HZ / bin_hz), side + gap)
    places = np.arange(first, level_db.size - side - gap // 2)
    if not places.size:
        return None
    sums = np.concatenate(([0.0], np.cumsum(level_db)))
    below = (sums[places - gap // 2] - sums[places - gap // 2 - side]) / side
    above = (sums[places + gap // 2 + side] - sums[places + gap // 2]) / side
    best = int(np.argmax(below - above))
    cliff = int(places[best])
    rest = level_db[cliff + gap // 2 :]
    if below[best] - above[best] < _CLIFF_DB or rest.max() > below[best] - _CLIFF_DB / 2:
        return None
    return float(cliff * bin_hz)
