"""What pages tell about hum: its lines, and how it may have come in."""

from __future__ import annotations

from collections.abc import Sequence

from cleanchain.measure.hum_path import Guess
from cleanchain.measure.levels import Levels
from cleanchain.measure.lines import Line
from cleanchain.report.axes import UNKNOWN, note_name, plain
from cleanchain.report.elements import Bar, Table
from cleanchain.units import percent, rms_dbfs

#: Length of the shortest bar, percent: the quietest line still has one.
_SHORTEST = 8.0


def floor_words(floor: Levels) -> str:
    """Say in two sentences how high a floor is and how much of it is hum.

    Parameters
    ----------
    floor : Levels
        Of a silence capture.
    """
    if floor.power() <= 1e-20:
        return "The silence is digital silence: it tells nothing."
    level = (
        f"The floor lies at {plain(rms_dbfs(floor.power()))} dBFS "
        f"({plain(rms_dbfs(floor.power('a')))} dBFS A-weighted)."
    )
    lines, mains_hz = floor.split.harmonics, floor.split.mains_hz
    if not lines or mains_hz is None:
        return f"{level} No mains hum was found in it."
    strongest = max(lines, key=lambda line: line.power)
    amount = percent(floor.hum_power / floor.power())
    number = "one line" if len(lines) == 1 else f"{len(lines)} lines"
    peak = plain(rms_dbfs(strongest.power))
    return (
        f"{level} Mains hum at {mains_hz:.2f} Hz makes {amount} of its power: {number}, the "
        f"strongest at {strongest.frequency_hz:.0f} Hz with {peak} dBFS."
    )


def lines_table(caption: str, lines: Sequence[Line]) -> Table:
    """Return a table of lines.

    Parameters
    ----------
    caption : str
        What they are.
    lines : sequence of Line
        At least one.
    """
    levels = [rms_dbfs(line.power) for line in lines]
    low, high = min(levels), max(levels)
    rows: list[list[str | Bar]] = []
    for line, level in zip(lines, levels, strict=True):
        part = (level - low) / (high - low) if high > low else 1.0
        rows.append(
            [
                UNKNOWN if line.harmonic is None else str(line.harmonic),
                f"{line.frequency_hz:.2f}",
                note_name(line.frequency_hz),
                Bar(plain(level), _SHORTEST + (100 - _SHORTEST) * part, "before"),
                f"{4.343 * line.sd / line.power:.2f}",
            ]
        )
    return Table(caption, ["harmonic", "Hz", "nearest note", "level, dBFS", "± dB"], rows)


def paths_table(guesses: Sequence[Guess]) -> Table:
    """Return a table of the ways that hum may have taken."""
    return Table(
        "How it may have come in, best agreement first: a rank, no proof",
        ["way", "agreement", "seen", "test at the bench"],
        [[guess.path, f"{guess.weight:.2f}", guess.evidence, guess.next_test] for guess in guesses],
        words=True,
    )
