"""The trial: stand-ins for the signal and the noise that a real take does not show apart.

A take has no clean original. Signal and hum as they may well have been are drawn from the take
and from what the silence says of its noise, with what the noise hides put back; the rest of the
take stands in for the hiss. Their mixture is the take, and its plan is the one that is sent the
parts. Where a reference stands in for the signal, hum and hiss are made from the silence, and the
same settings are planned on that mixture. Every number is the exact truth of the mixture, but for
what filters cost, which no draw can show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.account import Parts, account, untouched
from cleanchain.apart import Apart
from cleanchain.audio.capture import Capture, collect
from cleanchain.audio.file_source import FileSource
from cleanchain.audio.source import Excerpt, Samples, Source
from cleanchain.chain import Chain, ChainPlan
from cleanchain.draws import Kind, averaged, with_fixed_costs
from cleanchain.errors import InputError
from cleanchain.ledger import Ledger
from cleanchain.measure.cells import Cell, parts_of_notes
from cleanchain.measure.excerpts import choose_excerpts
from cleanchain.measure.fixed_cost import FixedCost, cells_heard, fixed_cost
from cleanchain.measure.noise_floor import learn_floor
from cleanchain.measure.redraw import draw_hiss
from cleanchain.measure.restoring import restore
from cleanchain.operators.base import Identity
from cleanchain.operators.gain import Gain
from cleanchain.stages import hum_continued
from cleanchain.stages.base import Plan
from cleanchain.stages.gate import Gate, gate_frames
from cleanchain.stages.gate_rules import EstimateRule
from cleanchain.stages.hum import Hum, HumPlan
from cleanchain.stages.loudness import Loudness
from cleanchain.threads import alone, helpers, stay_in_one_thread

#: Length of a trial: a long take is represented by excerpts, a short one is tried several times,
#: until this much has been drawn.
EXCERPTS, EXCERPT_S, DRAWN_S, MOST_DRAWS = 6, 5.0, 15.0, 3
#: Longest part of the silence that the noise is drawn from, s.
SILENCE_S = 60.0
#: Part of the hum's power by which the hum that is expected may be wrong: on generated mixtures
#: with wandering mains it lies 23 to 37 dB below the hum.
HUM_DOUBT = 3e-4
#: Times by which what a comb leaves of the hum may be more than is expected: 3 dB, seldom more.
REST_DOUBT = 2.0
_FADE_S = 0.01
_SEED = 20_260
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
    take = excerpt(whole, ranges)
    if reference is not None:
        some = [(0, min(reference.frames, take.frames))]
        reference = collect(Excerpt(reference, some, reference.name))
    # A plain gain is no merit and no cost, whatever it is: it need not be found.
    gains = {i: Plan(s, Identity()) for i, s in enumerate(chain.stages) if isinstance(s, Loudness)}
    rng = np.random.default_rng(seed)
    if heard is None:
        comb = _hum_stage(chain).plan(take, None)
        signal = take if reference is None else _at_level(reference, take, take.samples)
        if reference is None and not comb.is_identity:
            signal = comb.apply(take)[0]
        nothing = Capture(np.zeros_like(signal.samples), signal.rate_hz)
        parts = Parts(signal, nothing, nothing)
        return account(chain.plan(signal, None, gains), parts, "trial", _without_silence())
    heard_s = take.frames / take.rate_hz
    draws = max(1, min(MOST_DRAWS, int(DRAWN_S / heard_s)))
    known = _parts_heard(chain, take, heard)
    plan = chain.plan(take, heard, gains)
    parts = stand_ins(take, ranges, known, rng)
    notes = parts_of_notes(parts.signal.samples, take.rate_hz)
    with helpers(1) as pool:
        costs = pool.submit(fixed_costs, plan, known, notes, rng.spawn(1)[0])
        ledgers = []
        for draw in range(draws):
            if reference is not None:
                parts, alike = with_reference(take, heard, ranges, known, reference, rng)
                plan = chain.plan(parts.mixture, alike, gains)
            elif draw:
                parts = stand_ins(take, ranges, known, rng)
            ledgers.append(account(plan, parts, "trial"))
        kinds = [_kind(step) for step in plan.plans]
        return with_fixed_costs(averaged(ledgers, kinds), *costs.result())


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


def _hum_stage(chain: Chain) -> Hum:
    stage = next((one for one in chain.stages if isinstance(one, Hum)), Hum())
    return Hum(mains_hz=stage.mains_hz)


def excerpt(take: Source, ranges: list[tuple[int, int]]) -> Capture:
    """Return stretches of a take one after the other, joined by fades."""
    samples = take.read(*ranges[0])
    if len(ranges) > 1:
        ramp = np.linspace(0.0, 1.0, round(_FADE_S * take.rate_hz))
        parts = []
        for start, stop in ranges:
            part = take.read(start, stop).copy()
            part[:, : ramp.size] *= ramp
            part[:, -ramp.size :] *= ramp[::-1]
            parts.append(part)
        samples = np.concatenate(parts, axis=1)
    return Capture(samples, take.rate_hz, take.name)


@dataclass(frozen=True)
class _Heard:
    """What take and silence show apart.

    Parameters
    ----------
    noisy : ndarray of shape (channels, frames)
        The take less the hum that the silence lets expect: what a note has on a line stays.
    hiss : ndarray of shape (channels, frames)
        The silence without its hum.
    comb, quiet : Plan
        Plans of the hum stage for the take and for the silence.
    """

    noisy: Samples
    hiss: Samples
    comb: Plan
    quiet: Plan


def _parts_heard(chain: Chain, take: Capture, silence: Capture) -> _Heard:
    stage = _hum_stage(chain)
    quiet = stage.plan(silence, silence)
    comb = stage.plan(take, silence) if not quiet.is_identity else quiet
    hiss = silence.samples if quiet.is_identity else quiet.apply(silence)[0].samples
    noisy = take.samples - continued(comb, take.frames, take, [])
    return _Heard(noisy, hiss, comb, quiet)


def fixed_costs(
    plan: ChainPlan, heard: _Heard, notes: NDArray[np.int_], rng: np.random.Generator
) -> tuple[dict[int, FixedCost], dict[int, Sequence[Cell]]]:
    """Find the cost of the filters and combs before any gate, from the take less its noise.

    Sent twice through a filter a signal loses nothing the second time, so that no cleaned take
    could show it.

    Parameters
    ----------
    plan : ChainPlan
        Of the take.
    heard : _Heard
        What take and silence show apart.
    notes : ndarray of int of shape (times,)
        See `parts_of_notes`.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    costs : dict of int to FixedCost
        By the number of the stage.
    cells : dict of int to sequence of Cell
        Where a signal is how surely heard at the input of the first gate, by its number.
    """
    take = collect(plan.take)
    gate = next((i for i, one in enumerate(plan.plans) if isinstance(one.stage, Gate)), None)
    steps = [
        (index, step)
        for index, step in enumerate(plan.plans[:gate])
        if not (step.is_identity or isinstance(step.operator, Gain))
    ]
    draw = draw_hiss(heard.hiss, take.frames, take.rate_hz, rng)
    hum = continued(heard.comb, take.frames, take, [])
    likely = continued(heard.comb, take.frames, take, [], rng, faint=True)
    lanes = {"take": take.samples, "hiss": draw, "hum": hum}
    # What a comb takes shows in the take less its expected hum; anywhere else what is left of
    # that hum would pass for signal, and the combed take serves, with what the comb leaves.
    combed, left, rest = (
        Capture(one, take.rate_hz) for one in (take.samples, draw + likely, likely)
    )
    if not heard.comb.is_identity:
        combed, left, rest = heard.comb.apply(combed, left, rest, single=True)
    lanes.update(combed=combed.samples, left=left.samples, rest=rest.samples)
    del draw, hum, likely, combed, left, rest
    more_chance = 2.0 + take.frames / heard.hiss.shape[1]
    learned_s = heard.hiss.shape[1] / take.rate_hz
    costs = {}
    for place, (index, step) in enumerate(steps):
        # Such a step does the same to all lanes, whatever drives it: only those that are still
        # needed go along.
        needed = set() if gate is None else set(_OF_GATES)
        needed.update(name for _, later in steps[place:] for name in _lanes_for(later))
        sent = sorted(needed & set(_OF_COMBS)) if isinstance(step.stage, Hum) else sorted(needed)
        captures = (Capture(lanes[name], take.rate_hz) for name in sent)
        came = step.apply(*captures, single=True)
        after = {name: lanes[name] for name in needed}
        after |= {name: one.samples for name, one in zip(sent, came, strict=True)}
        if isinstance(step.stage, Hum):
            noisy = (lanes["take"] - lanes["hum"], after["take"] - after["hum"])
            hiss = (lanes["hiss"], after["hiss"])
            doubt = HUM_DOUBT * float(np.sum((lanes["hum"] - after["hum"]) ** 2))
            cost = fixed_cost(noisy, hiss, more_chance, doubt)
        else:
            noisy, hiss = (lanes["combed"], after["combed"]), (lanes["left"], after["left"])
            doubt = REST_DOUBT * float(np.sum((lanes["rest"] - after["rest"]) ** 2))
            cost = fixed_cost(noisy, hiss, more_chance, doubt)
            if cost is not None:
                before, behind = ((lane["combed"], lane["left"]) for lane in (lanes, after))
                where = cells_heard(
                    before, behind, lanes["hum"], notes, take.rate_hz, learned_s, rng
                )
                cost = replace(cost, cells=where)
        if cost is not None:
            costs[index] = cost
        lanes = after
    if gate is None:
        return costs, {}
    before = (lanes["combed"], lanes["left"])
    where = cells_heard(before, None, lanes["hum"], notes, take.rate_hz, learned_s, rng)
    return costs, {gate: where}


#: Lanes that show what a comb takes, what a filter takes, and what a gate hears.
_OF_COMBS = ("take", "hiss", "hum")
_OF_FILTERS = ("combed", "left", "rest", "hum")
_OF_GATES = ("combed", "left", "hum")


def _lanes_for(step: Plan) -> tuple[str, ...]:
    return _OF_COMBS if isinstance(step.stage, Hum) else _OF_FILTERS


def stand_ins(
    take: Capture, ranges: list[tuple[int, int]], heard: _Heard, rng: np.random.Generator
) -> Parts:
    """Make stand-ins for the parts of a take; their sum is the take.

    Signal and hum are drawn as they may well have been, given the take and the silence. The hiss
    is the rest, which makes it a draw of the same kind: where the signal is too large, the hiss is
    too small, and the gate, which saw the take, has decided by the very sum of both.
    """
    own = rng.spawn(1)[0]
    joins = _joins(ranges)
    with helpers(1) as pool:
        drawn = pool.submit(continued, heard.comb, take.frames, take, joins, own, faint=True)
        signal = _restored(heard.noisy, heard.hiss, take.rate_hz, rng)
        hum = drawn.result()
    waves = (signal, hum, take.samples - signal - hum)
    return Parts(*(Capture(wave, take.rate_hz, take.name) for wave in waves))


def with_reference(
    take: Capture,
    silence: Capture,
    ranges: list[tuple[int, int]],
    heard: _Heard,
    reference: Source,
    rng: np.random.Generator,
) -> tuple[Parts, Capture]:
    """Make a mixture like a take whose signal is a reference, and a silence like that of the take.

    Returns
    -------
    parts : Parts
        Signal, hum and hiss.
    silence : Capture
        Drawn anew, of the length of the real one.
    """
    rate_hz = take.rate_hz
    signal = _at_level(reference, take, heard.noisy, heard.hiss)
    hum = continued(heard.comb, take.frames, take, _joins(ranges), rng, faint=True)
    hiss = draw_hiss(heard.hiss, take.frames, rate_hz, rng)
    alike = draw_hiss(heard.hiss, silence.frames, rate_hz, rng)
    alike += continued(heard.quiet, silence.frames, silence, [], faint=True)
    parts = Parts(signal, *(Capture(wave, rate_hz, take.name) for wave in (hum, hiss)))
    return parts, Capture(alike, rate_hz, silence.name)


def _joins(ranges: list[tuple[int, int]]) -> list[int]:
    """Return the frames at which stretches of a take begin anew."""
    joins: list[int] = np.cumsum([stop - start for start, stop in ranges])[:-1].tolist()
    return joins


def _restored(noisy: Samples, hiss: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    frames = gate_frames(rate_hz)[0]
    floor = learn_floor(Capture(hiss, rate_hz, "the silence"), frames)
    length = noisy.shape[1] + 2 * frames.size
    draw = draw_hiss(hiss, length, rate_hz, rng)
    heard = max(round(floor.used_s * rate_hz / frames.hop), 1)
    rule = EstimateRule("long", floor.power, 0.0, False)
    return restore(noisy, floor.power, heard, draw, frames, rule).astype(np.float64)


def _at_level(
    reference: Source, take: Capture, noisy: Samples, hiss: Samples | None = None
) -> Capture:
    """Return a reference, cut or repeated to length, at the level of the take's signal."""
    if reference.rate_hz != take.rate_hz or reference.channels != take.channels:
        raise InputError(
            f"has {reference.rate_hz} Hz and {reference.channels} channel(s), "
            f"but {take.name} has {take.rate_hz} and {take.channels}",
            where=reference.name,
            fix="Give a reference of the take's rate and channels.",
        )
    samples = reference.read(0, min(reference.frames, take.frames))
    samples = np.tile(samples, -(-take.frames // samples.shape[1]))[:, : take.frames]
    power = float(np.mean(noisy**2))
    if hiss is not None:
        power = max(power - float(np.mean(hiss**2)), 1e-3 * power)
    own = float(np.mean(samples**2))
    if own == 0.0:
        raise InputError("is silent", where=reference.name, fix="Give a recording with sound.")
    return Capture(samples * np.sqrt(power / own), take.rate_hz, reference.name)


def continued(
    comb: Plan,
    frames: int,
    heard: Capture,
    joins: list[int],
    wander: np.random.Generator | None = None,
    faint: bool = False,
) -> Samples:
    """Go on with a hum at its own waveform, level and wandering phase.

    Parameters
    ----------
    comb : Plan
        The hum stage's plan for the recording that the hum was heard in.
    frames : int
        Length.
    heard : Capture
        That recording.
    joins : list of int
        Frames at which the recording begins anew: the phase goes on there without a jump.
    wander : Generator, optional
        Draws what the phase has beside the path that was found; see
        `cleanchain.stages.hum_continued.continued`.
    faint : bool, optional
        With the lines that are hardly there.
    """
    if not isinstance(comb, HumPlan):
        return np.zeros((heard.channels, frames))
    return hum_continued.continued(comb.path, frames, joins, wander, faint)
