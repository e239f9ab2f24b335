"""The accounting of a plan: known parts are sent through it, and what became of them is measured.

Every number of a ledger comes from here: a signal and a noise that are known apart go through the
very plan that was made on their mixture.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import Samples
from cleanchain.chain import ChainPlan
from cleanchain.ledger import Entry, Evidence, Ledger
from cleanchain.measure import quality
from cleanchain.measure.cells import cells, costliest, parts_of_notes
from cleanchain.measure.heard_cells import NOT_HEARD
from cleanchain.measure.octaves import octave_powers
from cleanchain.measure.quality import Tiles
from cleanchain.operators.gain import Gain
from cleanchain.stages.base import Plan
from cleanchain.threads import helpers


@dataclass(frozen=True)
class Parts:
    """A mixture whose parts are known apart.

    Parameters
    ----------
    signal, hum, hiss : Capture
        Of equal shape and rate; their sum is the mixture.
    weights : ndarray of shape (frames,), optional
        How much each frame of the noise counts; all alike without it.
    """

    signal: Capture
    hum: Capture
    hiss: Capture
    weights: NDArray[np.float64] | None = field(default=None, kw_only=True)

    @property
    def mixture(self) -> Capture:
        """Signal and noise together."""
        total = self.signal.samples + self.hum.samples + self.hiss.samples
        return Capture(total, self.signal.rate_hz, self.signal.name)


_NO_NOISE = "there is no noise in it"
_NO_HUM = "there is no hum in the noise"
_NO_HISS = "there is no hiss in the noise"
_NO_SIGNAL = "there is no signal in it"


@dataclass(frozen=True, eq=False)
class _State:
    """The parts of a mixture at one point of a chain, with what is measured on them."""

    signal: Samples
    hum: Samples
    hiss: Samples
    rate_hz: int
    weights: NDArray[np.float64] | None = None

    @property
    def noise(self) -> Samples:
        return self.hum + self.hiss

    @cached_property
    def signal_octaves(self) -> NDArray[np.float64]:
        return octave_powers(self.signal, self.rate_hz)

    @cached_property
    def noise_octaves(self) -> NDArray[np.float64]:
        return octave_powers(self.noise, self.rate_hz)

    @cached_property
    def signal_tiles(self) -> Tiles:
        return quality.tiles(self.signal, self.rate_hz)

    @cached_property
    def hiss_tiles(self) -> Tiles:
        return quality.tiles(self.hiss, self.rate_hz)

    @cached_property
    def parts_of_notes(self) -> NDArray[np.int_]:
        return parts_of_notes(self.signal, self.rate_hz)


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
    waves = (parts.signal.samples, parts.hum.samples, parts.hiss.samples)
    first = _State(*waves, parts.signal.rate_hz, parts.weights)
    given = reasons or {}
    now, rows = first, []
    # One worker measures the last step while the next one is on its way.
    with helpers(1) as pool:
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
    one = _nothing(_State(some, some, some, 1), evidence, given or {})
    return Ledger((one,) * stages, one)


def _send(step: Plan, state: _State) -> _State:
    if step.is_identity:
        return state
    first = state.signal
    if step.operator.follows_driver:
        first = state.signal + state.hum + state.hiss
    lanes = [Capture(wave, state.rate_hz) for wave in (first, state.hum, state.hiss)]
    signal, hum, hiss = (lane.samples for lane in step.apply(*lanes, single=True))
    if step.operator.follows_driver:
        signal = signal - hum - hiss  # all is linear: what is not noise is signal
    return _State(signal, hum, hiss, state.rate_hz, state.weights)


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
    signal, hum, hiss = before.signal, before.hum, before.hiss
    kept, hum_left, hiss_left = after.signal, after.hum, after.hiss
    fit = quality.best_gain(signal, kept)
    gain = declared_gain if fit is None else fit
    reasons = dict(given)

    def known(name: str, value: float | None, why: str) -> float | None:
        if name in given:
            return None
        if value is None:
            reasons.setdefault(name, why)
        return value

    def removed(noise: Samples, left: Samples) -> float | None:
        return quality.noise_removed_db(noise, left, gain, before.weights)

    found = cells(
        before.signal_octaves,
        before.noise_octaves,
        after.signal_octaves,
        after.noise_octaves,
        before.parts_of_notes,
        declared_gain,
        gain,
    )
    worst = costliest(found)
    chirp = None
    if "musical_noise" not in given and np.any(hiss):
        chirp = quality.musical_noise(before.hiss_tiles, after.hiss_tiles, before.signal_tiles)
    return Entry(
        noise_removed_db=known(
            "noise_removed_db",
            removed(before.noise, after.noise),
            _NO_NOISE,
        ),
        hum_removed_db=known("hum_removed_db", removed(hum, hum_left), _NO_HUM),
        hiss_removed_db=known("hiss_removed_db", removed(hiss, hiss_left), _NO_HISS),
        signal_lost_db=known(
            "signal_lost_db",
            quality.signal_lost_db(signal, kept, declared_gain),
            _NO_SIGNAL,
        ),
        signal_error_db=known("signal_error_db", quality.signal_error_db(signal, kept), _NO_SIGNAL),
        cost_db=known(
            "cost_db",
            None if worst is None else worst.signal_lost_db,
            NOT_HEARD,
        ),
        cost_where=None if worst is None or "cost_db" in given else worst.name,
        musical_noise=known(
            "musical_noise", chirp, "too few places where the noise is heard alone"
        ),
        evidence=evidence,
        reasons=reasons,
        where=tuple(found),
    )
