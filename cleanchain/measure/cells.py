"""Where in a performance a cost sits: octaves by attack, body and tail."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.measure.octaves import OCTAVES_HZ, STEP_S, step_frames, width_hz

Powers = NDArray[np.float64]

#: Parts of a note: the first 30 ms, what sounds at level, and what has decayed by 12 dB or more.
PARTS = ("attack", "body", "tail")
_ATTACK_S = 0.03
_TAIL_BELOW_DB = 12.0
_ONSET_RISE_DB = 6.0
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
    loss_db : float or None
        Fall of the signal's level, declared gain taken out, whether it is heard or not; None where
        there is no signal.
    noise_removed_db : float or None
        Fall of the noise at equal signal level; None where there is no noise.
    chance : float
        Probability that the signal stands `MARGIN_DB` above the noise.
    """

    octave_hz: float
    part: str
    loss_db: float | None
    noise_removed_db: float | None
    chance: float = 1.0

    @property
    def signal_lost_db(self) -> float | None:
        """The loss where the signal is more likely heard than not, None elsewhere."""
        return self.loss_db if self.chance > 0.5 else None

    @property
    def name(self) -> str:
        """The cell in words: ``tails, 4 kHz octave``."""
        centre = self.octave_hz
        number = f"{centre / 1000:g} kHz" if centre >= 1000 else f"{centre:g} Hz"
        plural = {"attack": "attacks", "body": "body", "tail": "tails"}[self.part]
        return f"{plural}, {number} octave"


def parts_of_notes(signal: Samples, rate_hz: int) -> NDArray[np.int_]:
    """Name the part of a note that each step of time lies in.

    Parameters
    ----------
    signal : ndarray of shape (channels, frames)
        The signal without its noise.
    rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray of int of shape (times,)
        Index into `PARTS`, every `STEP_S`. An onset is where the level of 10 ms rises by 6 dB over
        the loudest of the 50 ms before; a tail is where it has fallen 12 dB below the note's
        loudest.
    """
    step = step_frames(rate_hz)
    whole = signal.shape[1] // step * step
    power = (signal[:, :whole] ** 2).sum(axis=0).reshape(-1, step).mean(axis=1)
    level = 10 * np.log10(np.maximum(power, 1e-20))
    loudest = level.max(initial=-200.0)
    parts = np.full(level.size, PARTS.index("body"))
    peak, attack_until = -200.0, -1
    attack = round(_ATTACK_S / STEP_S)
    for k, now in enumerate(level.tolist()):
        # What sounds from the first moment on has begun before it.
        before = max(level[max(k - 5, 0) : k].tolist(), default=np.inf)
        if k > attack_until and now > before + _ONSET_RISE_DB and now > loudest - 50.0:
            peak, attack_until = now, k + attack - 1
        peak = max(peak, now)
        if k <= attack_until:
            parts[k] = PARTS.index("attack")
        elif now < peak - _TAIL_BELOW_DB:
            parts[k] = PARTS.index("tail")
    return parts


def cells(
    signal: Powers,
    noise: Powers,
    kept: Powers,
    left: Powers,
    parts: NDArray[np.int_],
    declared_gain: float,
    signal_gain: float,
) -> list[Cell]:
    """Measure cost and merit in each octave of each part of the notes.

    Parameters
    ----------
    signal, noise, kept, left : ndarray of shape (octaves, times)
        Powers of signal and noise before, and of what is left of each; see `octave_powers`.
    parts : ndarray of int of shape (times,)
        See `parts_of_notes`.
    declared_gain, signal_gain : float
        Gain that the plan declares, and the best-fitting gain of the signal.
    """
    found = []
    for number, octave in enumerate(OCTAVES_HZ[: len(signal)]):
        for index, part in enumerate(PARTS):
            inside = parts == index
            s, n, k, r = (float(one[number, inside].sum()) for one in (signal, noise, kept, left))
            heard = s > 10 ** (MARGIN_DB / 10) * n and s > 0
            lost = 10 * np.log10(declared_gain**2 * s / max(k, 1e-12 * s)) if s > 0 else None
            fell = 10 * np.log10(signal_gain**2 * n / max(r, 1e-12 * n)) if n > 0 else None
            found.append(
                Cell(
                    octave,
                    part,
                    None if lost is None else float(lost),
                    None if fell is None else float(fell),
                    float(heard),
                )
            )
    return found


def independent_values(inside: NDArray[np.bool_], octave_hz: float) -> float:
    """Return how many independent complex values of noise an octave has in some steps of time.

    Each stretch has one more than the product of its length and the octave's width: it is not
    shorter than the octave rings.
    """
    stretches = int((np.diff(inside.astype(int), prepend=0) == 1).sum())
    return stretches + width_hz(octave_hz) * float(inside.sum()) * STEP_S


def costliest(found: list[Cell]) -> Cell | None:
    """Return the cell with the largest loss of signal, None where no cell has a signal."""
    heard = [cell for cell in found if cell.signal_lost_db is not None]
    return max(heard, key=lambda cell: cell.signal_lost_db or 0.0, default=None)
