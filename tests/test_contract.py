"""Every law over every stage, and every check over a stage that breaks its law."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.stages.base import Stage
from cleanchain.stages.fixed_gain import FixedGain
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from cleanchain.stages.loudness import Loudness
from tests import broken_stages as broken
from tests import contract
from tests.contract import CHECKS, Case

RATE_HZ = 22_050
SECONDS = 4

STAGES: dict[str, Stage] = {
    "high-pass": HighPass(corner_hz=70.0),
    "hum track": Hum(),
    "hum notch": Hum(method="notch"),
    "hum along a reference": Hum(reference="channel 2"),
    "gate estimate": Gate(),
    "gate threshold": Gate(method="threshold"),
    "gate linked": Gate(link=True),
    "loudness": Loudness(target_lufs=-30.0),
    "fixed gain": FixedGain(-7.0),
}
OFF: dict[str, Stage] = {
    "gate estimate": Gate(depth_db=0.0),
    "gate threshold": Gate(depth_db=0.0, method="threshold"),
    "fixed gain": FixedGain(0.0),
}
BROKEN: dict[Callable[[Case], None], Stage] = {
    contract.zero_in_zero_out: broken.AddsOffset(),
    contract.superposition: broken.Compresses(),
    contract.same_shape: broken.DropsFrames(),
    contract.no_lag: broken.Delays(),
    contract.nothing_is_changed: broken.WritesToInput(),
    contract.any_block_size: broken.KnowsBlocks(),
    contract.same_twice: broken.Remembers(),
    contract.finite: broken.Overflows(),
    contract.passengers_do_not_drive: broken.ListensToPassengers(),
    contract.a_fixed_map_has_no_driver: broken.HidesItsDriver(),
    contract.single_precision_is_kept: broken.Widens(),
}


def make_case(stage: Stage) -> Case:
    """A plucked stereo take with 50 Hz hum and hiss, its silence, and another tune."""
    rng = np.random.default_rng(7)
    seconds = np.arange(SECONDS * RATE_HZ) / RATE_HZ

    def noise() -> np.ndarray:
        phase = 2 * np.pi * 49.97 * seconds + rng.uniform(0, 6)
        hum = sum(a * np.cos(h * phase + h) for h, a in {1: 0.02, 3: 0.008, 5: 0.004}.items())
        return hum + 0.002 * rng.standard_normal((2, seconds.size))

    def tune(*notes_hz: float) -> np.ndarray:
        wave = np.zeros_like(seconds)
        for k, note_hz in enumerate(notes_hz):
            since = seconds - 0.5 - 0.7 * k
            wave += np.where(since > 0, np.exp(-2 * since.clip(0)), 0) * np.sin(
                2 * np.pi * note_hz * since
            )
        return 0.2 * np.stack([wave, 0.6 * np.roll(wave, 9)])

    take = Capture(tune(196.0, 294.0, 440.0) + noise(), RATE_HZ, "take")
    return Case(
        stage, take, Capture(noise(), RATE_HZ, "silence"), Capture(tune(330.0, 220.0), RATE_HZ)
    )


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
@pytest.mark.parametrize("name", STAGES)
def test_stage_keeps_law(name: str, check: Callable[[Case], None]) -> None:
    check(make_case(STAGES[name]))


@pytest.mark.parametrize("name", STAGES)
def test_stage_does_something(name: str) -> None:
    """A stage that were the identity here would keep every law for nothing."""
    assert not make_case(STAGES[name]).plan().is_identity


@pytest.mark.parametrize("name", OFF)
def test_off_is_the_exact_identity(name: str) -> None:
    contract.off_is_identity(OFF[name], make_case(OFF[name]))


def test_hum_without_hum_is_the_exact_identity() -> None:
    case = make_case(Hum())
    rng = np.random.default_rng(3)
    clean = Capture(
        case.other.samples + 1e-4 * rng.standard_normal(case.other.samples.shape), RATE_HZ
    )
    quiet = Capture(1e-4 * rng.standard_normal(case.other.samples.shape), RATE_HZ)
    for method in ("track", "notch"):
        contract.off_is_identity(Hum(method=method), Case(Hum(), clean, quiet, case.other))


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_check_catches_a_broken_stage(check: Callable[[Case], None]) -> None:
    with pytest.raises((AssertionError, ValueError)):
        check(make_case(BROKEN[check]))


def test_off_check_catches_a_broken_stage() -> None:
    case = make_case(broken.NeverOff())
    with pytest.raises(AssertionError):
        contract.off_is_identity(broken.NeverOff(), case)
