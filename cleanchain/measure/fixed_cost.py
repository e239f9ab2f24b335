"""What a linear step that does not depend on the hiss takes from a signal under hiss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.measure.cells import PARTS, Cell, independent_values
from cleanchain.measure.heard_cells import chance_heard
from cleanchain.measure.octaves import OCTAVES_HZ, octave_powers, width_hz

#: Blocks whose scatter says how far a sum of powers may lie off by chance.
_BLOCKS = 12
#: A cell that seems to lose more than this holds nothing afterwards but the chance in the hiss.
_MOST_LOST_DB = 60.0
#: The share of a take, one over this, at each end in which the mean hiss is not looked for.
_ENDS = 20
#: An error counts as seen when it stands this many standard deviations out of the hiss, and is no
#: larger than what is seen and so many more.
_SEEN_SD, _MOST_SD = 3.0, 2.0


@dataclass(frozen=True)
class FixedCost:
    """Cost of a fixed linear step.

    Parameters
    ----------
    signal_lost_db : float
        Fall of the signal's level.
    signal_error_db : float or None
        Power of the damage relative to the signal; None where the hiss hides it.
    error_at_most_db : float
        It is no larger than this, but for chance (2 standard deviations).
    error_sd_db : float
        Standard deviation of `signal_error_db` from the chance in the hiss.
    cells : tuple of Cell, optional
        Where the signal loses how much; see `cells_heard`.
    """

    signal_lost_db: float
    signal_error_db: float | None
    error_at_most_db: float
    error_sd_db: float
    cells: tuple[Cell, ...] = ()


def fixed_cost(
    noisy: tuple[Samples, Samples],
    hiss: tuple[Samples, Samples],
    more_chance: float,
    doubt: float = 0.0,
) -> FixedCost | None:
    """Find the cost of a fixed linear step from a noisy signal, less what it does to hiss alone.

    Powers of signal and hiss add up in the mean, before the step and after it, for any step that
    was not decided by that very hiss. So the sums of the signal are those of the noisy signal
    less those of an independent draw of its hiss.

    Parameters
    ----------
    noisy : tuple of two ndarrays of shape (channels, frames)
        Signal and hiss, before and after.
    hiss : tuple of two ndarrays of shape (channels, frames)
        Another draw of the hiss, before and after.
    more_chance : float
        How much more variance the sums have than those of the draw, for the hiss of the take and
        for the length of the silence: 2 + length of the take over length of the silence.
    doubt : float, optional
        Sum of squares that may be in the damage and is no signal: what is left of a hum.

    Returns
    -------
    FixedCost or None
        None where no signal stands out of the hiss.
    """
    (a, b), (m, n) = noisy, hiss
    power = float(np.sum(a * a) - np.sum(m * m))
    kept = float(np.sum(b * b) - np.sum(n * n))
    if power <= 0.0 or kept <= 0.0:
        return None
    gain = float(np.sum(a * b) - np.sum(m * n)) / power
    wanted = gain**2 * power
    if wanted <= 0.0:
        return None
    of_hiss = ((n - gain * m) ** 2).sum(axis=0)
    error = float(np.sum((b - gain * a) ** 2)) - float(of_hiss.sum())
    blocks = of_hiss[: of_hiss.size // _BLOCKS * _BLOCKS].reshape(_BLOCKS, -1).sum(axis=1)
    sd = float(np.std(blocks, ddof=1) * np.sqrt(_BLOCKS * more_chance)) + doubt
    tiny = 1e-12 * wanted
    seen = error > _SEEN_SD * sd and error > tiny
    return FixedCost(
        signal_lost_db=10 * np.log10(power / kept),
        signal_error_db=10 * np.log10(error / wanted) if seen else None,
        error_at_most_db=10 * np.log10((max(error, tiny) + _MOST_SD * sd) / wanted),
        error_sd_db=4.343 * sd / max(error, tiny),
    )


@dataclass(frozen=True, eq=False)
class Seen:
    """A noisy signal in octaves.

    Parameters
    ----------
    powers : ndarray of shape (octaves, times)
        See `octave_powers`.
    hiss : ndarray of shape (octaves,)
        Mean power of its hiss.
    """

    powers: NDArray[np.float64]
    hiss: NDArray[np.float64]

    @classmethod
    def of(cls, noisy: Samples, hiss: Samples, rate_hz: int) -> Seen:
        """Look at a noisy signal, and at another draw of its hiss."""
        powers = octave_powers(hiss, rate_hz)
        # What a filter makes of the ends of a hum is no hiss.
        ends = powers.shape[1] // _ENDS
        inner = powers[:, ends : powers.shape[1] - ends]
        return cls(octave_powers(noisy, rate_hz), inner.mean(axis=1))


def cells_heard(
    before: Seen,
    after: Seen | None,
    hum: Samples,
    parts: NDArray[np.int_],
    rate_hz: int,
    learned_s: float,
    rng: np.random.Generator,
) -> tuple[Cell, ...]:
    """Find where a signal is how surely heard, and what a fixed linear step takes from it there.

    Parameters
    ----------
    before, after : Seen
        The noisy signal; no loss is looked for without the latter.
    hum : ndarray of shape (channels, frames)
        What is in neither of them, but must be stood out of to be heard.
    parts : ndarray of int of shape (times,)
        See `parts_of_notes`.
    rate_hz : int
        Sampling rate in Hz.
    learned_s : float
        Length of what the hiss was learned from, s.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    tuple of Cell
        Those of which nothing remains but chance have no loss.
    """
    around = octave_powers(hum, rate_hz)
    found = []
    for number, octave in enumerate(OCTAVES_HZ[: len(before.powers)]):
        for index, part in enumerate(PARTS):
            inside = parts == index
            times = int(inside.sum())
            noisy = float(before.powers[number, inside].sum())
            noise = times * float(before.hiss[number])
            loss = None
            if after is not None:
                kept = float(after.powers[number, inside].sum() - times * after.hiss[number])
                power = noisy - noise
                if 0.0 < power <= 10 ** (_MOST_LOST_DB / 10) * kept:
                    loss = float(10 * np.log10(power / kept))
            chance = chance_heard(
                noisy,
                noise,
                float(around[number, inside].sum()),
                independent_values(inside, octave),
                width_hz(octave) * learned_s,
                rng,
            )
            found.append(Cell(octave, part, loss, None, chance))
    return tuple(found)
