"""Where in a performance a cost sits: octaves by attack, body and tail."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.measure.quality import Tiles

#: Centres of the octave bands, Hz (IEC 61260-1, base 10, edges at centre x 10^(+-0.15)).
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
#: Parts of a note: the first 30 ms, what sounds at level, and what has decayed by 12 dB or more.
PARTS = ("attack", "body", "tail")
_ATTACK_S = 0.03
_TAIL_BELOW_DB = 12.0
_ONSET_RISE_DB = 6.0
#: Length of the short-time frames that the cells are measured on, s, and of those for the octaves
#: below 500 Hz, which the short ones cannot part from the notes above them.
FRAME_S, LOW_FRAME_S = 0.02, 0.1
HIGH_OCTAVES_HZ, LOW_OCTAVES_HZ = OCTAVES_HZ[4:], OCTAVES_HZ[:4]
#: A cell counts where the signal stands this far above the noise, dB.
MARGIN_DB = 6.0


@dataclass(frozen=True)
class Cell:
    """One octave in one part of the notes.

    Parameters
    ----------
    octave_hz : float
        Nominal centre of the octave.
    part : str
        One of `PARTS`.
    signal_lost_db : float or None
        Fall of the signal's level, declared gain taken out; None where no signal stands
        `MARGIN_DB` above the noise.
    noise_removed_db : float or None
        Fall of the noise at equal signal level; None where there is no noise.
    """

    octave_hz: float
    part: str
    signal_lost_db: float | None
    noise_removed_db: float | None

    @property
    def name(self) -> str:
        """The cell in words: ``tails, 4 kHz octave``."""
        centre = self.octave_hz
        number = f"{centre / 1000:g} kHz" if centre >= 1000 else f"{centre:g} Hz"
        plural = {"attack": "attacks", "body": "body", "tail": "tails"}[self.part]
        return f"{plural}, {number} octave"


def parts_of_notes(signal: Samples, rate_hz: int, frames_hz: float, count: int) -> NDArray[np.int_]:
    """Name the part of a note that each short-time frame lies in.

    Parameters
    ----------
    signal : ndarray of shape (channels, frames)
        The signal without its noise.
    rate_hz : int
        Sampling rate in Hz.
    frames_hz : float
        Short-time frames a second.
    count : int
        Number of short-time frames; frame k is centred on k / frames_hz.

    Returns
    -------
    ndarray of int of shape (count,)
        Index into `PARTS`. An onset is where the level of 10 ms rises by 6 dB over the loudest
        of the 50 ms before; a tail is where it has fallen 12 dB below the note's loudest.
    """
    step = max(round(0.01 * rate_hz), 1)
    whole = signal.shape[1] // step * step
    power = (signal[:, :whole] ** 2).sum(axis=0).reshape(-1, step).mean(axis=1)
    level = 10 * np.log10(np.maximum(power, 1e-20))
    loudest = level.max(initial=-200.0)
    parts = np.full(level.size, PARTS.index("body"))
    peak, attack_until = -200.0, -1
    attack = round(_ATTACK_S / 0.01)
    for k, now in enumerate(level.tolist()):
        before = max(level[max(k - 5, 0) : k].tolist(), default=-200.0)
        if k > attack_until and now > before + _ONSET_RISE_DB and now > loudest - 50.0:
            peak, attack_until = now, k + attack - 1
        peak = max(peak, now)
        if k <= attack_until:
            parts[k] = PARTS.index("attack")
        elif now < peak - _TAIL_BELOW_DB:
            parts[k] = PARTS.index("tail")
    at = np.minimum((np.arange(count) / frames_hz / 0.01).astype(int), max(level.size - 1, 0))
    return parts[at] if level.size else np.full(count, PARTS.index("body"))


def cells(
    signal: Tiles,
    noise: Tiles,
    kept: Tiles,
    left: Tiles,
    parts: NDArray[np.int_],
    declared_gain: float,
    signal_gain: float,
    octaves_hz: tuple[float, ...] = OCTAVES_HZ,
) -> list[Cell]:
    """Measure cost and merit in each octave of each part of the notes.

    Parameters
    ----------
    signal, noise, kept, left : Tiles
        Short-time powers of signal and noise before, and of what is left of each; see `FRAME_S`.
    parts : ndarray of int of shape (times,)
        See `parts_of_notes`.
    declared_gain, signal_gain : float
        Gain that the plan declares, and the best-fitting gain of the signal.
    octaves_hz : tuple of float, optional
        Which octaves.
    """
    half_rate_hz = (signal.power.shape[2] - 1) * signal.bin_hz
    found = []
    for octave in octaves_hz:
        if octave * 1.4 > half_rate_hz:
            break
        sums = [_octave(one, octave) for one in (signal, noise, kept, left)]
        for index, part in enumerate(PARTS):
            s, n, k, r = (float(one[parts == index].sum()) for one in sums)
            heard = s > 10 ** (MARGIN_DB / 10) * n and s > 0
            lost = 10 * np.log10(declared_gain**2 * s / max(k, 1e-12 * s)) if heard else None
            fell = 10 * np.log10(signal_gain**2 * n / max(r, 1e-12 * n)) if n > 0 else None
            found.append(
                Cell(
                    octave,
                    part,
                    None if lost is None else float(lost),
                    None if fell is None else float(fell),
                )
            )
    return found


def costliest(found: list[Cell]) -> Cell | None:
    """Return the cell with the largest loss of signal, None where no cell has a signal."""
    heard = [cell for cell in found if cell.signal_lost_db is not None]
    return max(heard, key=lambda cell: cell.signal_lost_db or 0.0, default=None)


def _octave(short: Tiles, centre_hz: float) -> NDArray[np.float64]:
    """Power in an octave at each time, shape (times,); edge bins count in proportion."""
    exact = 1000.0 * 10 ** (0.3 * round(np.log10(centre_hz / 1000.0) / 0.3))
    low, high = exact * 10**-0.15, exact * 10**0.15
    edges = (np.arange(short.power.shape[2]) - 0.5) * short.bin_hz
    share = np.clip(
        np.minimum(edges + short.bin_hz, high) - np.maximum(edges, low), 0.0, short.bin_hz
    )
    used = slice(int(np.argmax(share > 0)), share.size - int(np.argmax(share[::-1] > 0)))
    weights = (share[used] / short.bin_hz).astype(np.float32)
    weighted: NDArray[np.float64] = (short.power[..., used] @ weights).sum(axis=0, dtype=float)
    return weighted
