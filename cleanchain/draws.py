"""From the draws of a trial to one ledger: means, intervals, and costs that no draw can show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from cleanchain.ledger import Entry, Ledger
from cleanchain.measure.cells import Cell, costliest
from cleanchain.measure.fixed_cost import FixedCost
from cleanchain.measure.heard_cells import NOT_HEARD, expected_cost

#: The numbers that carry an interval.
HEADLINES = (
    "noise_removed_db",
    "hum_removed_db",
    "hiss_removed_db",
    "signal_lost_db",
    "signal_error_db",
    "cost_db",
)
Kind = Literal["filter", "comb", "path", "gate"]
#: Standard deviation of a trial's numbers around true ones, dB, for a filter, for a plain comb, for
#: hum that is followed and for a gate; that of a chain is the largest of its steps. Set by hand
#: from runs on generated mixtures of rendered instruments with known hiss and hum, so that nine
#: intervals in ten hold the truth (`tests/bench/ledger_bench.py`, seeds 26000 to 26400: how often
#: they do there is no independent check).
SPREAD_DB: Mapping[Kind, Mapping[str, float]] = {
    "filter": {
        "noise_removed_db": 0.05,
        "hum_removed_db": 0.04,
        "hiss_removed_db": 0.05,
        "signal_lost_db": 0.03,
        "signal_error_db": 0.4,
        "cost_db": 0.5,
    },
    "comb": {
        "noise_removed_db": 0.1,
        "hum_removed_db": 0.1,
        "hiss_removed_db": 0.02,
        "signal_lost_db": 0.02,
        "signal_error_db": 0.3,
        "cost_db": 0.05,
    },
    "path": {
        "noise_removed_db": 0.12,
        "hum_removed_db": 1.3,
        "hiss_removed_db": 0.02,
        "signal_lost_db": 0.02,
        "signal_error_db": 0.3,
        "cost_db": 0.05,
    },
    "gate": {
        "noise_removed_db": 0.25,
        "hum_removed_db": 0.6,
        "hiss_removed_db": 0.25,
        "signal_lost_db": 0.04,
        "signal_error_db": 1.2,
        "cost_db": 0.8,
    },
}


def averaged(ledgers: Sequence[Ledger], kinds: Sequence[Kind]) -> Ledger:
    """Return the mean of several draws of a trial, with intervals.

    An interval reaches 1.645 standard deviations to either side: those of trials around the
    truth, found on mixtures with known parts, and those of the draws among themselves.

    Parameters
    ----------
    ledgers : sequence of Ledger
        One a draw.
    kinds : sequence of str
        What each stage is; see `SPREAD_DB`.
    """
    stages = zip(*(ledger.stages for ledger in ledgers), strict=True)
    spreads = [SPREAD_DB[kind] for kind in kinds]
    at_work = [
        spread
        for spread, entry in zip(spreads, ledgers[0].stages, strict=True)
        if not entry.reasons.get("where")
    ]
    widest = {name: max((one[name] for one in at_work), default=0.0) for name in HEADLINES}
    total = _mean_entry([ledger.total for ledger in ledgers], widest)
    each = zip(stages, spreads, strict=True)
    return Ledger(tuple(_mean_entry(list(draws), spread) for draws, spread in each), total)


def _mean_entry(draws: Sequence[Entry], spread_db: Mapping[str, float]) -> Entry:
    means: dict[str, Any] = {}
    intervals = {}
    reasons = dict(draws[0].reasons)
    for name in (*HEADLINES, "musical_noise"):
        values = [getattr(draw, name) for draw in draws]
        missing = next(
            (draw for draw, value in zip(draws, values, strict=True) if value is None), None
        )
        if missing is not None:
            means[name] = None
            reasons[name] = missing.reasons[name]
            continue
        means[name] = float(np.mean(values))
        if name in spread_db and not draws[0].reasons.get("where"):
            own = float(np.var(values, ddof=1)) / len(values) if len(values) > 1 else 0.0
            half = 1.645 * float(np.hypot(spread_db[name], np.sqrt(own)))
            intervals[name] = (means[name] - half, means[name] + half)
    worst = costliest([cell for draw in draws for cell in draw.where])
    where = worst.name if means["cost_db"] is not None and worst is not None else None
    first = draws[0]
    return replace(first, **means, cost_where=where, reasons=reasons, intervals=intervals)


def with_fixed_costs(
    ledger: Ledger, costs: Mapping[int, FixedCost], heard: Mapping[int, Sequence[Cell]]
) -> Ledger:
    """Put the costs of filters and combs in place of those that a stand-in shows.

    Parameters
    ----------
    ledger : Ledger
        Of a trial.
    costs : mapping of int to FixedCost
        By the number of the stage.
    heard : mapping of int to sequence of Cell
        Where a signal is how surely heard at the input of a gate, by the number of the stage.

    Returns
    -------
    Ledger
        The damage of the whole chain changes by as much as that of its stages: damages of
        different places add up in power.
    """
    stages = list(ledger.stages)
    total = ledger.total
    for index, cost in costs.items():
        before = stages[index]
        stages[index] = after = _with_cells(_with_fixed_cost(before, cost), cost.cells, False)
        total = _with_cells(total, cost.cells, True)
        if None in (before.signal_error_db, after.signal_error_db, total.signal_error_db):
            continue
        change = _power(after.signal_error_db) - _power(before.signal_error_db)
        whole = _power(total.signal_error_db)
        error_db = float(10 * np.log10(max(whole + change, 0.3 * whole)))
        total = _moved(total, "signal_error_db", error_db, 0.0)
    for index, cells in heard.items():
        stages[index] = _with_cells(stages[index], cells, True)
    return Ledger(tuple(stages), total)


def _with_fixed_cost(entry: Entry, cost: FixedCost) -> Entry:
    moved = _moved(entry, "signal_lost_db", cost.signal_lost_db, 0.0)
    if cost.signal_error_db is not None:
        return _moved(moved, "signal_error_db", cost.signal_error_db, cost.error_sd_db)
    words = f"hidden by the noise: {cost.error_at_most_db:.0f} dB at most"
    intervals = {k: v for k, v in moved.intervals.items() if k != "signal_error_db"}
    return replace(
        moved,
        signal_error_db=None,
        reasons={**moved.reasons, "signal_error_db": words},
        intervals=intervals,
    )


def _with_cells(entry: Entry, found: Sequence[Cell], whole: bool) -> Entry:
    """Return an entry with the chances and losses of cells, and the cost they let expect.

    What a draw has lost under the noise, no filter can take from it. In the whole chain a cell
    loses at least what one step takes.
    """
    if not found or not entry.where:
        return entry
    better = {cell.name: cell for cell in found}

    def taken(cell: Cell) -> Cell:
        one = better.get(cell.name)
        if one is None:
            return cell if whole else replace(cell, chance=0.0)
        losses = [
            loss for loss in (one.loss_db, cell.loss_db if whole else None) if loss is not None
        ]
        return replace(cell, loss_db=max(losses, default=None), chance=one.chance)

    where = tuple(taken(cell) for cell in entry.where)
    expected = expected_cost(where)
    if expected is None:
        intervals = {name: one for name, one in entry.intervals.items() if name != "cost_db"}
        reasons = {**entry.reasons, "cost_db": NOT_HEARD}
        return replace(
            entry,
            where=where,
            cost_db=None,
            cost_where=None,
            reasons=reasons,
            intervals=intervals,
        )
    cost_db, low, high, worst = expected
    reasons = {name: words for name, words in entry.reasons.items() if name != "cost_db"}
    half = _half(entry, "cost_db")
    intervals = {**entry.intervals, "cost_db": (low - half, high + half)}
    return replace(
        entry,
        where=where,
        cost_db=cost_db,
        cost_where=worst.name,
        reasons=reasons,
        intervals=intervals,
    )


def _moved(entry: Entry, name: str, value: float, sd_db: float) -> Entry:
    """Return an entry with another value of a number, and its interval moved with it."""
    half = float(np.hypot(_half(entry, name), 1.645 * sd_db))
    intervals = {**entry.intervals, name: (value - half, value + half)}
    return replace(entry, **{name: value}, intervals=intervals)  # type: ignore[arg-type]


def _half(entry: Entry, name: str) -> float:
    """Half the width of an interval, the widest there is for a number that has none yet."""
    if name not in entry.intervals:
        return 1.645 * max(spread[name] for spread in SPREAD_DB.values())
    low, high = entry.intervals[name]
    return float(high - low) / 2


def _power(level_db: float | None) -> float:
    return 0.0 if level_db is None else float(10 ** (level_db / 10))
