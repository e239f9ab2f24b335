"""The ledger as a musician reads it, 80 columns wide."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from cleanchain.cli.output import console
from cleanchain.report.ledger_words import damage, explain, warning

if TYPE_CHECKING:
    from cleanchain.cleaning import Cleaning
    from cleanchain.ledger import Entry
    from cleanchain.stages.base import Plan


def print_ledger(result: Cleaning, take: Path, out: Path | None, explained: bool) -> None:
    """Print a line a stage, the whole chain, what to listen for and, if asked, how it is known."""
    from rich.table import Table
    from rich.text import Text

    screen = console()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("stage")
    for heading in ("noise", "hum", "hiss", "signal", "damage"):
        table.add_column(f"{heading}\ndB", justify="right")
    table.add_column("largest cost\nof signal")
    rows = [
        *((plan.stage.name, entry) for plan, entry in _rows(result)),
        ("all", result.ledger.total),
    ]
    for name, entry in rows:
        table.add_row(
            name,
            _down(entry.noise_removed_db),
            _down(entry.hum_removed_db),
            _down(entry.hiss_removed_db),
            _down(entry.signal_lost_db, 2),
            damage(entry.signal_error_db, "-"),
            _cost(entry),
            style="bold" if name == "all" else "",
        )
    screen.print(Text(f"{take.name}, silence: {result.silence.words}"))
    screen.print(table)
    for line in _remarks(result):
        screen.print(Text(line))
    for name, entry in rows if explained else ():
        screen.print(Text(f"\n{name}", style="bold"))
        for line in explain(entry):
            screen.print(Text(line))
    screen.print(Text("nothing written (dry run)" if out is None else f"written: {out}"))


def _rows(result: Cleaning) -> Iterable[tuple[Plan, Entry]]:
    return zip(result.plan.plans, result.ledger.stages, strict=True)


def _down(value: float | None, digits: int = 1) -> str:
    """Write a fall as a level change: minus is down."""
    if value is None:
        return "-"
    change = -value if abs(value) >= 0.5 * 10**-digits else 0.0
    return f"{change:+.{digits}f}" if change else "0"


def _cost(entry: Entry) -> str:
    if entry.cost_db is None or entry.cost_db < 0.05:
        return "none found" if entry.cost_db is not None else "-"
    return f"{entry.cost_db:.1f} dB, {(entry.cost_where or '').removesuffix(' octave')}"


def _remarks(result: Cleaning) -> list[str]:
    """Return what the stages have to say, and what to listen for."""
    lines = []
    for plan in result.plan.plans:
        lines += [f"{plan.stage.name}: {words}" for words in plan.reasons.values()]
    for plan, entry in _rows(result):
        told = warning(plan.stage.name, entry)
        lines += [told] if told else []
        if "reference" in entry.reasons:
            lines.append(f"{plan.stage.name}: {entry.reasons['reference']}")
    total = result.ledger.total
    if total.evidence == "trial":
        lines.append(
            "Numbers are measured in a trial: stand-ins for signal and noise at the take's levels."
        )
    if total.cost_where is not None and total.cost_db is not None and total.cost_db >= 0.05:
        lines.append(f"Listen for: {total.cost_where}; that is where the instrument lost most.")
    if total.musical_noise is not None and total.musical_noise > 3.0:
        lines.append("Listen for chirping in the pauses; a smaller gate --depth calms it.")
    return lines
