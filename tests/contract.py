"""The laws that every plan of every stage keeps, each as one check.

A check takes a `Case` and raises AssertionError where its law is broken. `CHECKS` lists them all;
the tests run every check over every stage, and over stages broken on purpose.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.operators.base import run
from cleanchain.stages.base import Plan, Stage


@dataclass(frozen=True)
class Case:
    """A stage with the captures it is tried on."""

    stage: Stage
    take: Capture
    silence: Capture
    other: Capture  # a passenger unlike the take

    def plan(self) -> Plan:
        return self.stage.plan(self.take, self.silence)


def zero_in_zero_out(case: Case) -> None:
    """Silence sent along stays silence."""
    nothing = Capture(np.zeros_like(case.take.samples), case.take.rate_hz)
    _, out = case.plan().apply(case.take, nothing)
    assert not np.any(out.samples), "zeros came out as something else"


def superposition(case: Case) -> None:
    """A weighted sum of passengers comes out as the weighted sum of what each comes out as."""
    plan = case.plan()
    a, b = 0.7, -1.3
    mixed = Capture(a * case.take.samples + b * case.other.samples, case.take.rate_hz)
    first, second, both = plan.apply(case.take, case.other, mixed)
    gap = np.abs(a * first.samples + b * second.samples - both.samples).max()
    assert gap <= 1e-9 * max(1.0, np.abs(both.samples).max()), f"superposition broken by {gap}"


def same_shape(case: Case) -> None:
    """Frames, channels and rate stay."""
    plan = case.plan()
    for out in plan.apply(case.take, case.other):
        assert out.samples.shape == case.take.samples.shape, "the shape changed"
        assert out.rate_hz == case.take.rate_hz, "the rate changed"


def no_lag(case: Case) -> None:
    """The take comes out where it went in."""
    out = case.plan().apply(case.take)[0].samples
    size = 2 * out.shape[1]
    for before, after in zip(case.take.samples, out, strict=True):
        cross = np.fft.irfft(np.fft.rfft(after, size) * np.conj(np.fft.rfft(before, size)), size)
        assert int(np.argmax(cross)) == 0, "the output is shifted in time"


def nothing_is_changed(case: Case) -> None:
    """Settings, take, passengers and silence are as they were."""
    settings = copy.deepcopy(case.stage.settings())
    kept = [one.samples.copy() for one in (case.take, case.silence, case.other)]
    case.plan().apply(case.take, case.other)
    assert case.stage.settings() == settings, "the settings changed"
    for before, now in zip(kept, (case.take, case.silence, case.other), strict=True):
        assert np.array_equal(before, now.samples), "an input changed"


def any_block_size(case: Case) -> None:
    """The output does not depend on how it was read."""
    plan = case.plan()
    whole = plan.apply(case.take, case.other)
    for block_frames in (997, case.take.frames):
        blocks = list(plan.run(case.take, case.other, block_frames=block_frames))
        for lane, out in zip(whole, np.concatenate(blocks, axis=-1), strict=True):
            gap = np.abs(lane.samples - out).max()
            assert gap <= 1e-12, f"blocks of {block_frames} differ by {gap}"


def same_twice(case: Case) -> None:
    """The same plan, and a second plan, give the same samples to the last bit."""
    plan = case.plan()
    first = plan.apply(case.take)[0].samples
    assert np.array_equal(first, plan.apply(case.take)[0].samples), "a second run differs"
    assert np.array_equal(first, case.plan().apply(case.take)[0].samples), "a second plan differs"


def finite(case: Case) -> None:
    """Finite in, finite out, for a driver and a passenger of any size."""
    huge = Capture(1e6 * case.other.samples, case.take.rate_hz)
    for out in case.plan().run(case.take, huge):
        assert np.isfinite(out).all(), "a sample is not finite"


def passengers_do_not_drive(case: Case) -> None:
    """What a lane comes out as does not depend on the lanes beside it."""
    plan = case.plan()
    alone = plan.apply(case.take)[0].samples
    along = plan.apply(case.take, case.other)[0].samples
    gap = np.abs(alone - along).max()
    assert gap <= 1e-12, f"the driver changed by {gap} with a passenger beside it"


def a_fixed_map_has_no_driver(case: Case) -> None:
    """A map that says it follows no driver does the same to a lane, whatever comes first."""
    plan = case.plan()
    if not plan.operator.follows_driver:
        alone = plan.apply(case.other)[0].samples
        along = plan.apply(case.take, case.other)[1].samples
        gap = np.abs(alone - along).max()
        assert gap <= 1e-12, f"another driver changed the lane by {gap}"


def single_precision_is_kept(case: Case) -> None:
    """In single precision a lane comes out in it, and 100 dB below the lane the same."""
    plan = case.plan()
    exact = plan.apply(case.take, case.other)
    blocks = list(run(plan.operator, case.take, case.other, single=True))
    assert all(block.dtype == np.float32 for block in blocks), "the precision was not kept"
    for wanted, lane in zip(exact, np.concatenate(blocks, axis=-1), strict=True):
        gap, size = np.std(lane - wanted.samples), np.std(wanted.samples)
        assert gap <= 1e-5 * size, f"single precision is off by {gap / size}"


CHECKS: tuple[Callable[[Case], None], ...] = (
    zero_in_zero_out,
    superposition,
    same_shape,
    no_lag,
    nothing_is_changed,
    any_block_size,
    same_twice,
    finite,
    passengers_do_not_drive,
    a_fixed_map_has_no_driver,
    single_precision_is_kept,
)


def off_is_identity(off: Stage, case: Case) -> None:
    """A stage told to do nothing returns the very samples."""
    plan = off.plan(case.take, case.silence)
    out = plan.apply(case.take)[0].samples
    assert plan.is_identity, "the plan is not the identity"
    assert np.array_equal(out, case.take.samples), "the samples changed"
