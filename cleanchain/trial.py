"""The trial: stand-ins for the signal and the noise that a real take does not show apart.

A take has no clean original. Signal and hum as they may well have been are drawn from the take
and from what the silence says of its noise, with what the noise hides put back; the rest of the
take stands in for the hiss. Their mixture is the take, and its plan is the one that is sent the
parts. Where a reference stands in for the signal, hum and hiss are made from the silence, and the
same settings are planned on that mixture. Every number is the exact truth of the mixture, but for
what filters cost, which no draw can show.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from cleanchain.account import Parts, account, untouched
from cleanchain.apart import Apart
from cleanchain.audio.capture import Capture, collect
from cleanchain.audio.file_source import FileSource
from cleanchain.audio.source import Excerpt, Source
from cleanchain.chain import Chain, ChainPlan
from cleanchain.draws import Kind, averaged, with_fixed_costs
from cleanchain.filter_costs import fixed_costs
from cleanchain.ledger import Ledger
from cleanchain.measure.cells import parts_of_notes
from cleanchain.measure.excerpts import choose_excerpts, weights_of
from cleanchain.operators.base import Identity
from cleanchain.stages.base import Plan
from cleanchain.stages.gate import Gate
from cleanchain.stages.hum import Hum
from cleanchain.stages.loudness import Loudness
from cleanchain.stand_ins import at_level, hum_stage, mended, parts_heard, stand_ins, with_reference
from cleanchain.threads import alone, helpers, stay_in_one_thread

#: Length of a trial: a long take is represented by excerpts, a short one is tried several times,
#: until this much has been drawn.
EXCERPTS, EXCERPT_S, DRAWN_S, MOST_DRAWS = 6, 14 / 3, 15.0, 3
#: Longest part of the silence that the noise is drawn from, s.
SILENCE_S = 60.0
_SEED = 20_260
_NOT_CUT = (
    "the numbers are those of a hum followed in the take alone, for a reference is not cut into "
    "excerpts as the take is: with it more goes as a rule"
)
_NO_SILENCE = "no silence to tell the noise from the signal"


def trial(
    chain: Chain,
    plan: ChainPlan,
    silence: Source | None,
    *,
    reference: Source | None = None,
    seed: int = _SEED,
) -> Ledger:
    """Write the ledger of a real take.

    Parameters
    ----------
    chain : Chain
        The settings.
    plan : ChainPlan
        What they decided for the take.
    silence : Source or None
        The build recorded without playing; without it the noise side of the ledger is not known,
        and what noise there is counts as signal.
    reference : Source, optional
        A clean recording like the take, which stands in for the signal at the take's level.
    seed : int, optional
        Where chance begins; the same seed gives the same ledger.

    Returns
    -------
    Ledger
        With the evidence "trial".
    """
    if plan.is_identity:
        return nothing_done(plan, silence)
    return rehearse(chain, plan.take, silence, reference=reference, seed=seed)


def nothing_done(plan: ChainPlan, silence: Source | None) -> Ledger:
    """Return the ledger of a plan that returns the very samples."""
    unknown = {} if silence is not None else _without_silence()
    return untouched(len(plan.plans), "trial", unknown)


def rehearse(
    chain: Chain,
    whole: Source,
    silence: Source | None,
    *,
    reference: Source | None = None,
    seed: int = _SEED,
    beside: bool = False,
) -> Ledger:
    """Write the ledger of a take that need not have been planned yet; see `trial`.

    With `beside`, a file is tried in a Python of its own, for others are at work here.
    """
    heard = None
    if silence is not None:
        heard = collect(Excerpt(silence, [(0, _first(silence, SILENCE_S))], silence.name))
    if not (beside and may_be_apart(whole)):
        return _rehearsed(chain, whole, heard, reference, seed)
    with Apart(__name__) as apart:
        return apart.do(_beside, chain, whole, heard, reference, seed)


def may_be_apart(take: Source) -> bool:
    """Return whether another Python can read a take, and has a core to itself."""
    return isinstance(take, FileSource) and not alone()


def _beside(chain: Chain, whole: Source, *given: Any) -> Ledger:
    if whole.frames > EXCERPTS * EXCERPT_S * whole.rate_hz:
        stay_in_one_thread()  # the cleaning of a long take keeps the other core busy
    return _rehearsed(chain, whole, *given)


def _rehearsed(
    chain: Chain, whole: Source, heard: Capture | None, reference: Source | None, seed: int
) -> Ledger:
    ranges = choose_excerpts(whole, EXCERPTS, EXCERPT_S)
    rng = np.random.default_rng(seed)
    joined = collect(Excerpt(whole, ranges, whole.name))
    # A plain gain is no merit and no cost, whatever it is: it need not be found.
    gains = {i: Plan(s, Identity()) for i, s in enumerate(chain.stages) if isinstance(s, Loudness)}
    if not joined.samples.any():  # not even the hiss of the silence is in it
        return account(chain.plan(joined, heard, gains), Parts(joined, joined, joined), "trial")
    take = mended(chain, joined, heard, rng)
    if reference is not None:
        some = [(0, min(reference.frames, take.frames))]
        reference = collect(Excerpt(reference, some, reference.name))
    if heard is None:
        comb = hum_stage(chain).plan(take, None)
        signal = take if reference is None else at_level(reference, take, take.samples)
        if reference is None and not comb.is_identity:
            signal = comb.apply(take)[0]
        nothing = Capture(np.zeros_like(signal.samples), signal.rate_hz)
        parts = Parts(signal, nothing, nothing)
        return account(chain.plan(signal, None, gains), parts, "trial", _without_silence())
    heard_s = take.frames / take.rate_hz
    draws = max(1, min(MOST_DRAWS, int(DRAWN_S / heard_s)))
    known = parts_heard(chain, take, heard)
    weights = weights_of(ranges, whole.frames, whole.rate_hz) if len(ranges) > 1 else None
    plan = chain.plan(take, heard, gains)
    parts = stand_ins(take, known, rng)
    notes = parts_of_notes(parts.signal.samples, take.rate_hz)
    with helpers(1) as pool:
        costs = pool.submit(fixed_costs, plan, known, notes, rng.spawn(1)[0])
        ledgers = []
        for draw in range(draws):
            if reference is not None:
                parts, alike = with_reference(take, heard, known, reference, rng)
                plan = chain.plan(parts.mixture, alike, gains)
            elif draw:
                parts = stand_ins(take, known, rng)
            ledgers.append(account(plan, replace(parts, weights=weights), "trial"))
        kinds = [_kind(step) for step in plan.plans]
        ledger = with_fixed_costs(averaged(ledgers, kinds), *costs.result())
    return _without_references(chain, ledger) if len(ranges) > 1 else ledger


def _without_references(chain: Chain, ledger: Ledger) -> Ledger:
    """Say of a long take that its trial goes without a file of reference."""
    stages = tuple(
        replace(entry, reasons={**entry.reasons, "reference": _NOT_CUT})
        if isinstance(stage, Hum) and stage.reference_is_file
        else entry
        for stage, entry in zip(chain.stages, ledger.stages, strict=True)
    )
    return replace(ledger, stages=stages)


def _kind(step: Plan) -> Kind:
    if isinstance(step.stage, Gate):
        return "gate"
    if isinstance(step.stage, Hum):
        return "path" if step.stage.method == "track" else "comb"
    return "filter"


def _without_silence() -> dict[str, str]:
    names = ("noise_removed_db", "hum_removed_db", "hiss_removed_db", "musical_noise")
    return dict.fromkeys(names, _NO_SILENCE)


def _first(source: Source, seconds: float) -> int:
    return min(source.frames, round(seconds * source.rate_hz))
