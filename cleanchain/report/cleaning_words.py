"""A cleaning in plain words: what was wrong, what was done, what it cost, what to do next."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cleanchain.cleaning import Cleaning
from cleanchain.ledger import Entry
from cleanchain.measure.hum_path import CAUTIONS, guess_path
from cleanchain.measure.levels import Levels
from cleanchain.report.axes import plain, signed
from cleanchain.report.hum_parts import floor_words
from cleanchain.report.ledger_words import warning


def lead(cleaning: Cleaning, floor: Levels | None) -> str:
    """Return the paragraph at the top of a report.

    Parameters
    ----------
    cleaning : Cleaning
        Planned and accounted for.
    floor : Levels or None
        What the silence consists of.
    """
    return " ".join(
        sentence
        for sentence in (
            _wrong(cleaning, floor),
            _done(cleaning),
            _cost(cleaning.ledger.total),
            _next(cleaning, floor),
        )
        if sentence
    )


def cautions(cleaning: Cleaning, floor: Levels | None) -> list[str]:
    """Return what must be said beside the advice that a report gives."""
    said: list[str] = []
    if floor is not None and floor.split.harmonics:
        said += CAUTIONS
    for plan in cleaning.plan.plans:
        if "gain_db" in plan.reasons and not plan.is_identity:
            said.append(f"The take is {plan.reasons['gain_db']}.")
    return said


def remarks(cleaning: Cleaning) -> list[str]:
    """Return what the stages have to say, warnings, and what to listen for."""
    lines = []
    pairs = list(zip(cleaning.plan.plans, cleaning.ledger.stages, strict=True))
    for plan, _ in pairs:
        lines += [f"{plan.stage.name}: {words}" for words in plan.reasons.values()]
    for plan, entry in pairs:
        told = warning(plan.stage.name, entry)
        lines += [told] if told else []
    total = cleaning.ledger.total
    if total.cost_where is not None and total.cost_db is not None and total.cost_db >= 0.05:
        lines.append(f"Listen for {total.cost_where}: there the instrument lost most.")
    if total.musical_noise is not None and total.musical_noise > 3.0:
        lines.append("Listen for chirping in the pauses; a smaller depth of the gate calms it.")
    return lines


def _wrong(cleaning: Cleaning, floor: Levels | None) -> str:
    if floor is None:
        return f"Nothing is known of the noise alone: {cleaning.silence.reason or 'too short'}."
    return floor_words(floor)


def _done(cleaning: Cleaning) -> str:
    plans = cleaning.plan.plans
    at_work = [plan.stage.name for plan in plans if not plan.is_identity and plan.gain == 1.0]
    gain_db = 20 * np.log10(cleaning.plan.gain)
    total = cleaning.ledger.total
    told = ""
    if at_work:
        names = _listed(at_work)
        if total.noise_removed_db is None:
            told = f"It went through {names}; how much noise that took is not known."
        else:
            parts = [
                f"{name} {plain(value)} dB"
                for name, value in (
                    ("hum", total.hum_removed_db),
                    ("hiss", total.hiss_removed_db),
                )
                if value is not None
            ]
            split = f" ({', '.join(parts)})" if parts else ""
            told = (
                f"{names.capitalize()} took {plain(total.noise_removed_db)} dB of noise out{split}."
            )
    if abs(gain_db) > 0.005:
        told += f" One gain then changed the level by {signed(gain_db)} dB."
    return told.strip() or "Nothing was changed: every sample is as it was."


def _cost(total: Entry) -> str:
    if "where" in total.reasons:
        return ""
    if total.cost_db is None:
        return f"What that cost the instrument is not known: {total.reasons['cost_db']}."
    if total.cost_db < 0.05:
        return "No cost to the instrument was found."
    known = "" if total.evidence == "known" else ", measured in a trial on stand-ins"
    return (
        f"The instrument lost at most {total.cost_db:.1f} dB of level in any octave "
        f"({total.cost_where}{known})."
    )


def _next(cleaning: Cleaning, floor: Levels | None) -> str:
    guesses = guess_path(floor.split.harmonics) if floor is not None else ()
    if guesses:
        return f"At the bench the hum looks most like {guesses[0].path}. {guesses[0].next_test}"
    if cleaning.silence.source is None:
        return "Next time record ten seconds of the same build without playing."
    return ""


def _listed(names: Sequence[str]) -> str:
    if len(names) == 1:
        return names[0]
    return f"{', '.join(names[:-1])} and {names[-1]}"
