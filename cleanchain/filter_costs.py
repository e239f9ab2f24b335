"""What filters and combs before any gate cost a real take, which no cleaned take could show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture, collect
from cleanchain.chain import ChainPlan
from cleanchain.measure.cells import Cell
from cleanchain.measure.fixed_cost import FixedCost, Seen, cells_heard, fixed_cost
from cleanchain.measure.redraw import draw_hiss
from cleanchain.operators.gain import Gain
from cleanchain.stages.base import Plan
from cleanchain.stages.gate import Gate
from cleanchain.stages.hum import Hum
from cleanchain.stand_ins import Heard, continued

#: Part of the hum's power by which the hum that is expected may be wrong: on generated mixtures
#: with wandering mains it lies 23 to 37 dB below the hum.
HUM_DOUBT = 3e-4
#: Times by which what a comb leaves of the hum may be more than is expected: 3 dB, seldom more.
REST_DOUBT = 2.0
#: Lanes that show what a comb takes, what a filter takes, and what a gate hears.
_OF_COMBS = ("take", "hiss", "hum")
_OF_FILTERS = ("combed", "left", "rest", "hum")
_OF_GATES = ("combed", "left", "hum")


def fixed_costs(
    plan: ChainPlan, heard: Heard, notes: NDArray[np.int_], rng: np.random.Generator
) -> tuple[dict[int, FixedCost], dict[int, Sequence[Cell]]]:
    """Find the cost of the filters and combs before any gate, from the take less its noise.

    Sent twice through a filter a signal loses nothing the second time, so that no cleaned take
    could show it.

    Parameters
    ----------
    plan : ChainPlan
        Of the take.
    heard : Heard
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
    hum = continued(heard.comb, take)
    likely = continued(heard.comb, take, rng, faint=True)
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
    now = Seen.of(lanes["combed"], lanes["left"], take.rate_hz)
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
            then = Seen.of(after["combed"], after["left"], take.rate_hz)
            if cost is not None:
                where = cells_heard(now, then, lanes["hum"], notes, take.rate_hz, learned_s, rng)
                cost = replace(cost, cells=where)
            now = then
        if cost is not None:
            costs[index] = cost
        lanes = after
    if gate is None:
        return costs, {}
    where = cells_heard(now, None, lanes["hum"], notes, take.rate_hz, learned_s, rng)
    return costs, {gate: where}


def _lanes_for(step: Plan) -> tuple[str, ...]:
    return _OF_COMBS if isinstance(step.stage, Hum) else _OF_FILTERS
