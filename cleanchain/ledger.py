"""The ledger as plain data: what each stage removed, and what it cost in signal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from cleanchain.measure.cells import Cell

Evidence = Literal["known", "trial", "silence"]


@dataclass(frozen=True)
class Entry:
    """The numbers of one stage, or of the whole chain.

    Every level is in decibels; None means "not known", with the words under `reasons`.

    Parameters
    ----------
    noise_removed_db : float or None
        Fall of the noise at equal signal level.
    hum_removed_db, hiss_removed_db : float or None
        The same for the hum and for the hiss alone.
    signal_lost_db : float or None
        Fall of the signal's own level, > 0 is loss; a declared gain is taken out.
    signal_error_db : float or None
        Power of the damage relative to the signal, -120 at least.
    cost_db : float or None
        Largest loss of signal over the octaves of attacks, body and tails in which the signal
        stands at least 6 dB above the noise.
    cost_where : str or None
        That place in words.
    musical_noise : float or None
        Kurtosis ratio of the residual noise: 1 natural, above 3 it chirps.
    evidence : str
        "known": the parts were given; "trial": measured on stand-ins for them; "silence": only
        the noise could be shown.
    reasons : mapping of str to str
        Words for each number that is None.
    where : sequence of Cell
        The numbers by octave and part of the note.
    intervals : mapping of str to (float, float)
        Where the true number lies in nine of ten cases, for the numbers of a trial.
    """

    noise_removed_db: float | None
    hum_removed_db: float | None
    hiss_removed_db: float | None
    signal_lost_db: float | None
    signal_error_db: float | None
    cost_db: float | None
    cost_where: str | None
    musical_noise: float | None
    evidence: Evidence
    reasons: Mapping[str, str] = field(default_factory=dict)
    where: Sequence[Cell] = ()
    intervals: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def numbers(self) -> dict[str, Any]:
        """Return the numbers as plain data, rounded to 0.001."""
        left_out = ("where", "intervals")
        plain = {key: value for key, value in asdict(self).items() if key not in left_out}
        return {
            key: round(value, 3) if isinstance(value, float) else value
            for key, value in plain.items()
        }


@dataclass(frozen=True)
class Ledger:
    """One entry a stage and one for the whole chain.

    The total is measured end to end and need not be the sum of the stages.
    """

    stages: Sequence[Entry]
    total: Entry
