"""Silences that are none, hum that wanders, notes on the comb, edges, long tails."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.cleaning import clean
from cleanchain.silences import Silence
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from tests.faults.sounds import RATE_HZ, hiss, hum, notes

Call = Callable[..., Any]


def capture(samples: np.ndarray, name: str = "take") -> Capture:
    """From shape (frames, channels)."""
    return Capture(samples.T, RATE_HZ, name)


def disturbed(kind: str) -> np.ndarray:
    """A silence of 4 s in which something sounds from 2 s on for 0.3 s."""
    floor = hum(4) + hiss(4, 2)
    t = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    sound = {
        "note": 0.1 * np.sin(2 * np.pi * 440 * t),
        "thump": 0.3 * np.exp(-t / 0.05) * np.sin(2 * np.pi * 70 * t),
        "talk": 0.05 * np.random.default_rng(9).standard_normal(t.size) * np.sin(30 * t) ** 2,
        "zeros": np.zeros(t.size),
    }[kind]
    part = slice(2 * RATE_HZ, 2 * RATE_HZ + t.size)
    floor[part, 0] = floor[part, 0] + sound if kind != "zeros" else 0.0
    return floor


@pytest.mark.parametrize("kind", ["note", "thump", "talk", "zeros"])
def test_fault_33_what_sounds_in_a_silence_is_not_learned(kind: str) -> None:
    take = capture(notes(4) + hum(4) + hiss(4))
    plan = Gate().plan(take, capture(disturbed(kind), "silence"))
    good = Gate().plan(take, capture(hum(4) + hiss(4, 2), "silence"))
    assert plan.findings["floor_dbfs"][0] == pytest.approx(good.findings["floor_dbfs"][0], abs=0.3)
    times = plan.findings["silence_left_out_s"]
    if kind == "zeros":  # nothing sounds there: only not learned
        assert plan.findings["silence_used_s"] < good.findings["silence_used_s"] - 0.2
    else:
        assert times
        assert min(abs(time - 2.0) for time in times) < 0.3
        assert "0:02" in plan.reasons["silence_left_out_s"] or "0:01.9" in str(plan.reasons)


def test_fault_33_a_silence_that_is_mostly_disturbed_is_refused(takes: Path, call: Call) -> None:
    talk = hiss(6, 2) * (1 + 20 * (np.sin(np.arange(6 * RATE_HZ) / 2000) ** 2 > 0.4))[:, None]
    soundfile.write(takes / "s.wav", talk, RATE_HZ, subtype="PCM_24")
    told = call("clean", "take.wav", "--silence", "s.wav", "--out", "out.wav", "gate")
    soundfile.write(takes / "z.wav", np.zeros(4 * RATE_HZ), RATE_HZ, subtype="PCM_24")
    zeros = call("clean", "take.wav", "--silence", "z.wav", "--out", "out.wav", "gate")
    assert (told.code, zeros.code) == (3, 3)
    assert "is not steady" in told.err
    assert "digital silence, which is not a noise floor" in zeros.err


def wandering(kind: str, seconds: float = 12.0) -> np.ndarray:
    """Hum of two harmonics that does what mains do, shape (frames, 1)."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    hz = np.full_like(t, 50.0)
    level = np.ones_like(t)
    half = t > seconds / 2
    if kind == "drift":
        hz += 0.2 * np.sin(2 * np.pi * t / 8)
    if kind == "another country":
        hz[half] = 60.0
    if kind == "switched on":
        level = np.where(half, 1.0, 0.0)
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    if kind == "phase jump":
        phase += np.where(half, 2.0, 0.0)
    return (level * (0.01 * np.sin(phase) + 0.004 * np.sin(3 * phase + 1)))[:, None]


@pytest.mark.parametrize(
    "kind", ["steady", "drift", "another country", "switched on", "phase jump"]
)
def test_fault_35_hum_that_wanders_is_never_louder_than_before(kind: str) -> None:
    """All noise, second by second; and where the hum can be followed, it goes down.

    Around a switch up to -17 dB of it are added for a second, below the hiss.
    """
    seconds = 12
    alone = capture(wandering(kind))
    take = capture(notes(seconds) + wandering(kind) + hiss(seconds))
    plan = Hum().plan(take, capture(hum(4) + hiss(4, 2), "silence"))
    left = plan.apply(take, alone)[1].samples

    def by_second(samples: np.ndarray) -> np.ndarray:
        return np.mean(samples.reshape(seconds, RATE_HZ) ** 2, axis=1)

    before, after = by_second(alone.samples), by_second(left)
    noise_db = 10 * np.log10((after + 0.003**2) / (before + 0.003**2))
    assert noise_db.max() < 1.0, noise_db.round(2)  # what is just heard (common practice)
    change_db = 10 * np.log10((after + 1e-9) / (before + 1e-9))
    middle = {"another country": slice(0, 5), "switched on": slice(7, 12)}.get(kind, slice(0, 12))
    assert np.median(change_db[middle]) < -10, change_db.round(1)


@pytest.mark.parametrize(
    "hz", [48.999, 349.228, 61.735, 659.255], ids=["G1", "F4", "B1", "E5"]
)  # fmt: skip
def test_fault_36_a_drone_on_the_comb_stays(hz: float) -> None:
    """Equal temperament, A4 = 440 Hz. The silence holds hum, so that there is something to do."""
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    partials = sum(0.1 / k * np.sin(2 * np.pi * k * hz * t + k) for k in (1, 2, 3))
    drone = capture(np.asarray(partials)[:, None])
    take = capture(drone.samples.T + hum(10) + hiss(10))
    plan = Hum().plan(take, capture(hum(4) + hiss(4, 2), "silence"))
    left = plan.apply(take, drone)[1].samples
    lost_db = -10 * np.log10(np.mean(left**2) / np.mean(drone.samples**2))
    assert abs(lost_db) < 0.5


@pytest.mark.parametrize("silence", [True, False])
@pytest.mark.parametrize("hz", [48.999, 349.228, 61.735, 659.255])
def test_fault_36_no_hum_at_all_is_an_exact_null(hz: float, silence: bool) -> None:
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    drone = 0.1 * np.sin(2 * np.pi * hz * t)[:, None]
    take = capture(drone + hiss(6))
    plan = Hum().plan(take, capture(hiss(4, 2), "silence") if silence else None)
    assert plan.is_identity, plan.findings


def test_fault_36_a_file_of_nothing_but_hum() -> None:
    take = capture(hum(8) + hiss(8))
    plan = Hum().plan(take, capture(hum(4) + hiss(4, 2), "silence"))
    left = plan.apply(take, capture(hum(8)))[1].samples
    assert 10 * np.log10(np.mean(left**2) / np.mean(hum(8) ** 2)) < -15


@pytest.mark.parametrize("stage", [HighPass(), Hum(), Gate(), Gate(method="threshold")])
def test_fault_37_what_stands_at_the_ends_stays(stage: Any) -> None:
    """An attack on the first sample, a note over the last; next to nothing is to be removed."""
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    music = 0.3 * np.exp(-t) * np.sin(2 * np.pi * 330 * t + 1)
    music += 0.2 * np.sin(2 * np.pi * 523.25 * t) * (t > 3)
    take = capture((music + 1e-3 * hiss(4)[:, 0])[:, None])
    plan = stage.plan(take, capture(1e-3 * hiss(3, 2), "silence"))
    out = take.samples if plan.is_identity else plan.apply(take)[0].samples
    for part in (slice(0, RATE_HZ // 20), slice(-RATE_HZ // 20, None)):
        before, after = np.sum(take.samples[:, part] ** 2), np.sum(out[:, part] ** 2)
        assert abs(10 * np.log10(after / before)) < 0.1


def test_fault_38_the_cost_of_a_long_tail_is_told() -> None:
    """A note that falls by 60 dB, far into the hiss: at the default depth it is not cut off."""
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    note = 0.5 * 10 ** (-60 * (t - 1).clip(0) / 8 / 20) * np.sin(2 * np.pi * 660 * t) * (t > 1)
    alone = capture(note[:, None])
    take = capture(note[:, None] + hiss(10))
    silence = capture(hiss(6, 2), "silence")
    plan = Gate().plan(take, silence)
    left = plan.apply(take, alone)[1].samples
    spectrum_sd = 0.003
    heard = 0.5 * 10 ** (-60 * (t - 1).clip(0) / 8 / 20) > spectrum_sd / 10  # 20 dB below all hiss
    tail = heard & (t > 3)
    lost_db = 10 * np.log10(np.mean(alone.samples[:, tail] ** 2) / np.mean(left[:, tail] ** 2))
    assert lost_db < 0.5
    assert np.abs(left).min() >= 0
    floor_db = 20 * np.log10(np.abs(left[:, -RATE_HZ:]).mean() / np.abs(note[-RATE_HZ:]).mean())
    assert floor_db > -Gate().depth_db - 0.5  # never below the depth
    told = clean(take, Silence(silence, "file"), [Gate()]).ledger.stages[0]
    assert told.cost_db is not None
    assert told.cost_where is not None
