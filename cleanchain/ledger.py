"""The ledger: what each stage removed, and what it cost in signal.

Every number is measured by sending a signal and a noise that are known apart through the very
plan that was made on their mixture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import Samples
from cleanchain.chain import ChainPlan
from cleanchain.measure import quality
from cleanchain.measure.cells import (
    FRAME_S,
    HIGH_OCTAVES_HZ,
    LOW_FRAME_S,
    LOW_OCTAVES_HZ,
    Cell,
    cells,
    costliest,
    parts_of_notes,
)
from cleanchain.measure.fixed_cost import FixedCost
from cleanchain.measure.quality import Tiles
from cleanchain.operators.gain import Gain
from cleanchain.stages.base import Plan

Evidence = Literal["known", "trial", "silence"]


@dataclass(frozen=True)
class Parts:
    """A mixture whose parts are known apart.

    Parameters
    ----------
    signal, hum, hiss : Capture
        Of equal shape and rate; their sum is the mixture.
    """

    signal: Capture
    hum: Capture
    hiss: Capture

    @property
    def mixture(self) -> Capture:
        """Signal and noise together."""
        total = self.signal.samples + self.hum.samples + self.hiss.samples
        return Capture(total, self.signal.rate_hz, self.signal.name)


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


_NO_NOISE = "there is no noise in it"
_NO_HUM = "there is no hum in the noise"
_NO_HISS = "there is no hiss in the noise"
_NO_SIGNAL = "there is no signal in it"


@dataclass(frozen=True, eq=False)
class _State:
    """A mixture and its parts at one point of a chain, with what is measured on them."""

    mixture: Samples
    signal: Samples
    hum: Samples
    hiss: Samples
    rate_hz: int

    @cached_property
    def noise(self) -> Samples:
        return self.hum + self.hiss

    @cached_property
    def signal_cells(self) -> tuple[Tiles, Tiles]:
        """On frames for the low octaves, and on frames for the high ones."""
        return self._cells(self.signal)

    @cached_property
    def noise_cells(self) -> tuple[Tiles, Tiles]:
        return self._cells(self.noise)

    def _cells(self, wave: Samples) -> tuple[Tiles, Tiles]:
        low = quality.tiles(wave, self.rate_hz, LOW_FRAME_S)
        return low, quality.tiles(wave, self.rate_hz, FRAME_S)

    @cached_property
    def signal_tiles(self) -> Tiles:
        return quality.tiles(self.signal, self.rate_hz)

    @cached_property
    def hiss_tiles(self) -> Tiles:
        return quality.tiles(self.hiss, self.rate_hz)

    @cached_property
    def parts_of_notes(self) -> list[NDArray[np.int_]]:
        return [
            parts_of_notes(self.signal, self.rate_hz, 1 / short.hop_s, short.power.shape[1])
            for short in self.signal_cells
        ]


def account(
    plan: ChainPlan, parts: Parts, evidence: Evidence, reasons: Mapping[str, str] | None = None
) -> Ledger:
    """Send known parts through a chain's plans and write down what became of them.

    Parameters
    ----------
    plan : ChainPlan
        Planned on ``parts.mixture``.
    parts : Parts
        What the mixture is made of.
    evidence : {"known", "trial", "silence"}
        Where the parts come from.
    reasons : mapping of str to str, optional
        Words for numbers that the parts cannot give.
    """
    first = _State(
        parts.mixture.samples,
        parts.signal.samples,
        parts.hum.samples,
        parts.hiss.samples,
        parts.signal.rate_hz,
    )
    given = reasons or {}
    now, rows = first, []
    # One worker measures the last step while the next one is on its way.
    with ThreadPoolExecutor(1) as pool:
        for step in plan.plans:
            after = _send(step, now)
            if step.is_identity or isinstance(step.operator, Gain):
                rows.append(pool.submit(_nothing, now, evidence, given))
            else:
                rows.append(pool.submit(entry, now, after, step.gain, evidence, given))
            now = after
        total = pool.submit(entry, first, now, plan.gain, evidence, given)
        return Ledger(tuple(row.result() for row in rows), total.result())


def untouched(stages: int, evidence: Evidence, given: Mapping[str, str] | None = None) -> Ledger:
    """Return the ledger of a chain that returns the very samples it is given.

    Parameters
    ----------
    stages : int
        How many stages it has.
    evidence : {"known", "trial", "silence"}
        Where the numbers come from.
    given : mapping of str to str, optional
        Words for numbers that are not known.
    """
    some = np.ones((1, 1))
    one = _nothing(_State(some, some, some, some, 1), evidence, given or {})
    return Ledger((one,) * stages, one)


def _send(step: Plan, state: _State) -> _State:
    if step.is_identity:
        return state
    parts = (state.mixture, state.signal, state.hum, state.hiss)
    driver, *passengers = (Capture(samples, state.rate_hz) for samples in parts)
    mixture, signal, hum, hiss = (lane.samples for lane in step.apply(driver, *passengers))
    return _State(mixture, signal, hum, hiss, state.rate_hz)


def _nothing(state: _State, evidence: Evidence, given: Mapping[str, str]) -> Entry:
    """Return the entry of a step that changes nothing, or nothing but a declared gain."""
    signal, hum, hiss = state.signal, state.hum, state.hiss
    reasons = {"where": "nothing is removed", **given}

    def unless(name: str, wave: Samples, why: str, value: float) -> float | None:
        if name in given:
            return None
        if not np.any(wave):
            reasons[name] = why
            return None
        return value

    return Entry(
        noise_removed_db=unless("noise_removed_db", hum + hiss, _NO_NOISE, 0.0),
        hum_removed_db=unless("hum_removed_db", hum, _NO_HUM, 0.0),
        hiss_removed_db=unless("hiss_removed_db", hiss, _NO_HISS, 0.0),
        signal_lost_db=unless("signal_lost_db", signal, _NO_SIGNAL, 0.0),
        signal_error_db=unless("signal_error_db", signal, _NO_SIGNAL, quality.ERROR_FLOOR_DB),
        cost_db=unless("cost_db", signal, _NO_SIGNAL, 0.0),
        cost_where=None,
        musical_noise=unless("musical_noise", hiss, _NO_HISS, 1.0),
        evidence=evidence,
        reasons=reasons,
    )


def entry(
    before: _State,
    after: _State,
    declared_gain: float,
    evidence: Evidence,
    given: Mapping[str, str],
) -> Entry:
    """Measure one step from what went in and what came out."""
    signal, hum, hiss, noise = before.signal, before.hum, before.hiss, before.noise
    kept, hum_left, hiss_left, left = after.signal, after.hum, after.hiss, after.noise
    fit = quality.best_gain(signal, kept)
    gain = declared_gain if fit is None else fit
    reasons = dict(given)

    def known(name: str, value: float | None, why: str) -> float | None:
        if name in given:
            return None
        if value is None:
            reasons.setdefault(name, why)
        return value

    found = []
    for index, octaves_hz in enumerate((LOW_OCTAVES_HZ, HIGH_OCTAVES_HZ)):
        found += cells(
            before.signal_cells[index],
            before.noise_cells[index],
            after.signal_cells[index],
            after.noise_cells[index],
            before.parts_of_notes[index],
            declared_gain,
            gain,
            octaves_hz,
        )
    worst = costliest(found)
    chirp = None
    if "musical_noise" not in given and np.any(hiss):
        chirp = quality.musical_noise(before.hiss_tiles, after.hiss_tiles, before.signal_tiles)
    return Entry(
        noise_removed_db=known(
            "noise_removed_db", quality.noise_removed_db(noise, left, gain), _NO_NOISE
        ),
        hum_removed_db=known(
            "hum_removed_db", quality.noise_removed_db(hum, hum_left, gain), _NO_HUM
        ),
        hiss_removed_db=known(
            "hiss_removed_db", quality.noise_removed_db(hiss, hiss_left, gain), _NO_HISS
        ),
        signal_lost_db=known(
            "signal_lost_db",
            quality.signal_lost_db(signal, kept, declared_gain),
            _NO_SIGNAL,
        ),
        signal_error_db=known("signal_error_db", quality.signal_error_db(signal, kept), _NO_SIGNAL),
        cost_db=known(
            "cost_db",
            None if worst is None else worst.signal_lost_db,
            "nowhere does the signal stand 6 dB above the noise",
        ),
        cost_where=None if worst is None or "cost_db" in given else worst.name,
        musical_noise=known(
            "musical_noise", chirp, "too few places where the noise is heard alone"
        ),
        evidence=evidence,
        reasons=reasons,
        where=tuple(found),
    )


#: The numbers that carry an interval.
HEADLINES = (
    "noise_removed_db",
    "hum_removed_db",
    "hiss_removed_db",
    "signal_lost_db",
    "signal_error_db",
    "cost_db",
)
#: Standard deviation of a trial's numbers around true ones, dB, set by hand from runs on generated
#: mixtures of rendered instruments with known hiss and hum (`tests/bench/ledger_bench.py`, seeds
#: 1000 to 1019 among them: how often intervals hold the truth there is not an independent check).
SPREAD_DB = {
    "noise_removed_db": 0.55,
    "hum_removed_db": 2.0,
    "hiss_removed_db": 0.7,
    "signal_lost_db": 0.1,
    "signal_error_db": 1.2,
    "cost_db": 0.8,
}


def averaged(ledgers: Sequence[Ledger]) -> Ledger:
    """Return the mean of several draws of a trial, with intervals.

    An interval reaches 1.645 standard deviations to either side: those of trials around the
    truth, found on mixtures with known parts, and those of the draws among themselves.
    """
    stages = zip(*(ledger.stages for ledger in ledgers), strict=True)
    total = _mean_entry([ledger.total for ledger in ledgers])
    return Ledger(tuple(_mean_entry(list(draws)) for draws in stages), total)


def _mean_entry(draws: Sequence[Entry]) -> Entry:
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
        if name in SPREAD_DB and not draws[0].reasons.get("where"):
            own = float(np.var(values, ddof=1)) / len(values) if len(values) > 1 else 0.0
            half = 1.645 * float(np.hypot(SPREAD_DB[name], np.sqrt(own)))
            intervals[name] = (means[name] - half, means[name] + half)
    worst = costliest([cell for draw in draws for cell in draw.where])
    where = worst.name if means["cost_db"] is not None and worst is not None else None
    first = draws[0]
    return replace(first, **means, cost_where=where, reasons=reasons, intervals=intervals)


def with_fixed_costs(ledger: Ledger, costs: Mapping[int, FixedCost]) -> Ledger:
    """Put the costs of filters and combs in place of those that a stand-in shows.

    Parameters
    ----------
    ledger : Ledger
        Of a trial.
    costs : mapping of int to FixedCost
        By the number of the stage.

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
        stages[index] = after = _with_fixed_cost(before, cost)
        if None in (before.signal_error_db, after.signal_error_db, total.signal_error_db):
            continue
        change = _power(after.signal_error_db) - _power(before.signal_error_db)
        whole = _power(total.signal_error_db)
        error_db = float(10 * np.log10(max(whole + change, 0.3 * whole)))
        total = _moved(total, "signal_error_db", error_db, 0.0)
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


def _moved(entry: Entry, name: str, value: float, sd_db: float) -> Entry:
    """Return an entry with another value of a number, and its interval moved with it."""
    half = 1.645 * float(np.hypot(SPREAD_DB[name], sd_db))
    if name in entry.intervals and sd_db == 0.0:
        low, high = entry.intervals[name]
        half = (high - low) / 2
    intervals = {**entry.intervals, name: (value - half, value + half)}
    return replace(entry, **{name: value}, intervals=intervals)  # type: ignore[arg-type]


def _power(level_db: float | None) -> float:
    return 0.0 if level_db is None else float(10 ** (level_db / 10))
