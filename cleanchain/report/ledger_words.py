"""A ledger in words: a line a stage, warnings, and how each number was obtained."""

from __future__ import annotations

from cleanchain.ledger import Entry
from cleanchain.measure.quality import ERROR_FLOOR_DB


def in_words(name: str, entry: Entry) -> str:
    """Return a stage's entry as a musician says it, one line.

    Parameters
    ----------
    name : str
        The stage's name.
    entry : Entry
        Its numbers.

    Returns
    -------
    str
        Such as ``gate 11 dB down, cost 0.6 dB, mostly in tails, 4 kHz octave``.
    """
    fall = entry.hum_removed_db if name == "hum" else entry.noise_removed_db
    if "where" in entry.reasons:
        return f"{name} nothing to do"
    if fall is None:
        first = f"{name} noise not known"
    else:
        first = f"{name} {abs(fall):.0f} dB {'down' if fall >= 0 else 'up'}"
    if entry.cost_db is None:
        return f"{first}, cost not known"
    if entry.cost_db < 0.05:
        return f"{first}, no cost found"
    place = f", mostly in {entry.cost_where}" if entry.cost_where else ""
    return f"{first}, cost {entry.cost_db:.1f} dB{place}"


def damage(signal_error_db: float | None, unknown: str) -> str:
    """Return the damage of a stage in dB; a plain gain does none."""
    if signal_error_db is None:
        return unknown
    return "none" if signal_error_db <= ERROR_FLOOR_DB else f"{signal_error_db:.0f}"


def warning(name: str, entry: Entry) -> str | None:
    """Return a warning where a stage costs more than it gives, else None."""
    if entry.noise_removed_db is None or entry.cost_db is None or entry.cost_db < 0.1:
        return None
    if entry.cost_db <= entry.noise_removed_db:
        return None
    return (
        f"{name} costs more than it gives: {entry.cost_db:.1f} dB of {entry.cost_where} "
        f"for {entry.noise_removed_db:.1f} dB less noise; set it gentler or leave it out"
    )


_HOW = {
    "noise_removed_db": "power of all noise before and after, at the signal's own gain",
    "hum_removed_db": "the same for the hum alone, sent along by itself",
    "hiss_removed_db": "the same for the hiss alone, sent along by itself",
    "signal_lost_db": "power of the signal alone before and after, a plain gain taken out",
    "signal_error_db": "what the step changed in the signal, relative to the signal",
    "cost_db": "largest loss over octaves of attacks, body, tails 6 dB out of the noise, by how "
    "likely each is that far out",
    "musical_noise": "kurtosis of the hiss, after over before, where it is alone; over 3 chirps",
}
_FROM = {
    "known": "signal, hum and hiss were given apart.",
    "silence": "only the noise could be shown; nothing is known of the signal.",
    "trial": (
        "stand-ins whose sum is the take, or thirty seconds of a long one. Signal: drawn from the "
        "take in each place of time and frequency as the floor of the silence allows, hidden "
        "power put back band by band. Hum: drawn as near to the one that was found as that is "
        "sure. Hiss: the rest. Cost of filters and combs: what they take from the take less its "
        "noise."
    ),
}


def explain(entry: Entry) -> list[str]:
    """Return how each number of an entry was obtained, a line each, evidence first.

    Numbers of a trial carry the interval that holds the true one in nine of ten cases.
    """
    lines = [f"evidence: {_FROM[entry.evidence]}"]
    for name, words in _HOW.items():
        value = getattr(entry, name)
        unit = "" if name == "musical_noise" else " dB"
        if value is None:
            told = f"not known: {entry.reasons.get(name, 'no reason given')}"
        elif name in entry.intervals:
            low, high = entry.intervals[name]
            told = f"{value:.2f}{unit} ({low:.2f} to {high:.2f})"
        else:
            told = f"{value:.2f}{unit}"
        lines.append(f"{name}: {told}; {words}")
    return lines
