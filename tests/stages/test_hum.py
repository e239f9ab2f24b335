from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.errors import SettingError
from cleanchain.measure.hum import learn_silence
from cleanchain.measure.mains import Candidate
from cleanchain.operators.planned import Planned
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum

RATE_HZ = 44_100
BUZZ = {1: 0.01, 3: 0.004, 5: 0.003, 7: 0.002}


def hum(
    seconds: float, mains_hz: float, harmonics: dict[int, float], seed: int, drift_hz: float = 0.0
) -> np.ndarray:
    rng = np.random.default_rng(seed)
    n = np.arange(int(seconds * RATE_HZ))
    wander = np.interp(n / RATE_HZ, np.arange(seconds + 2), rng.normal(0, 1, int(seconds + 2)))
    phase = rng.random() + np.cumsum(mains_hz + drift_hz * wander) / RATE_HZ
    return sum(a * np.cos(2 * np.pi * (h * phase + 0.1 * h * h)) for h, a in harmonics.items())


def hiss(seconds: float, seed: int) -> np.ndarray:
    return 3e-4 * np.random.default_rng(seed).standard_normal(int(seconds * RATE_HZ))


def plucks(seconds: float) -> np.ndarray:
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    wave = np.zeros_like(t)
    for k, hz in enumerate((164.8, 207.7, 277.2, 311.1, 185.0)):
        since = t - 1.0 - 0.8 * k
        wave += np.where(since > 0, np.exp(-2 * since.clip(0)), 0) * np.sin(2 * np.pi * hz * since)
    return 0.1 * wave


def level_db(samples: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(samples**2)))


@pytest.mark.parametrize("mains_hz", [49.2, 49.97, 50.6, 59.3, 60.02, 60.8])
@pytest.mark.parametrize("harmonics", [{1: 0.01}, BUZZ, {1: 0.003, 2: 0.01, 4: 0.002, 6: 0.001}])
def test_mains_frequency_is_measured_between_the_bins(
    mains_hz: float, harmonics: dict[int, float]
) -> None:
    silence = Capture(hum(8, mains_hz, harmonics, 1) + hiss(8, 2), RATE_HZ)
    plan = Hum().plan(silence, silence)
    assert plan.findings["mains_hz"] == pytest.approx(mains_hz, abs=0.002)
    assert {row["harmonic"] for row in plan.findings["harmonics"]} >= set(harmonics)


@pytest.mark.parametrize("drift_hz", [0.0, 0.02, 0.05])
def test_hum_goes_and_the_instrument_stays(drift_hz: float) -> None:
    signal, noise = plucks(8), hum(8, 50.03, BUZZ, 3, drift_hz)
    take = Capture(signal + noise + hiss(8, 4), RATE_HZ)
    silence = Capture(hum(8, 49.98, BUZZ, 5, drift_hz) + hiss(8, 6), RATE_HZ)
    plan = Hum().plan(take, silence)
    kept, left = (
        lane.samples[0]
        for lane in plan.apply(take, Capture(signal, RATE_HZ), Capture(noise, RATE_HZ))[1:]
    )
    assert level_db(left) < level_db(noise) - 15
    assert level_db(kept - signal) < level_db(signal) - 30


def test_the_plain_comb_takes_the_hum_and_tells_how_long_it_rings() -> None:
    noise = hum(6, 50.0, BUZZ, 3)
    take = Capture(plucks(6) + noise + hiss(6, 4), RATE_HZ)
    plan = Hum(method="notch").plan(take, Capture(hum(6, 50.0, BUZZ, 5) + hiss(6, 6), RATE_HZ))
    left = plan.apply(take, Capture(noise, RATE_HZ))[1].samples[0]
    middle = slice(RATE_HZ, 5 * RATE_HZ)
    assert level_db(left[middle]) < level_db(noise[middle]) - 40
    assert "ring" in plan.reasons["method"]


def test_learned_from_the_take_says_that_it_is_less_sure() -> None:
    take = Capture(plucks(8) + hum(8, 50.02, BUZZ, 3) + hiss(8, 4), RATE_HZ)
    plan = Hum().plan(take)
    assert plan.findings["learned_from"] == "take"
    assert "less sure" in plan.reasons["learned_from"]
    assert plan.findings["mains_hz"] == pytest.approx(50.02, abs=0.01)


def test_no_hum_is_the_identity_with_a_reason() -> None:
    plan = Hum().plan(Capture(plucks(5) + hiss(5, 1), RATE_HZ), Capture(hiss(5, 2), RATE_HZ))
    assert plan.is_identity
    assert plan.reasons["mains_hz"] == "no mains hum found"


@pytest.mark.parametrize(
    ("mains_hz", "lines", "doubt"),
    [(59.3, BUZZ, "not within 0.5 Hz"), (50.0, {2: 0.01, 4: 0.006, 6: 0.004}, "hardly any odd")],
)
def test_lines_that_may_be_a_notes_are_left_in_words_without_a_silence(
    mains_hz: float, lines: dict[int, float], doubt: str
) -> None:
    take = Capture(plucks(8) + hum(8, mains_hz, lines, 3) + hiss(8, 4), RATE_HZ)
    plan = Hum().plan(take)
    assert plan.is_identity
    assert doubt in plan.reasons["mains_hz"]
    assert "record a silence" in plan.reasons["mains_hz"]
    silence = Capture(hum(8, mains_hz, lines, 5) + hiss(8, 6), RATE_HZ)
    assert Hum().plan(take, silence).findings["mains_hz"] == pytest.approx(mains_hz, abs=0.02)


def test_where_no_line_is_sure_without_a_silence_nothing_is_taken_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from cleanchain.measure import hum_in_take

    take = Capture(plucks(8) + hum(8, 50.0, BUZZ, 3) + hiss(8, 4), RATE_HZ)
    assert not Hum().plan(take).is_identity
    monkeypatch.setattr(hum_in_take, "outgrown", lambda model: np.ones(len(model.harmonics), bool))
    plan = Hum().plan(take)
    assert plan.is_identity
    assert "far louder" in plan.reasons["mains_hz"]


def test_hum_of_the_other_mains_is_not_looked_for_when_one_is_named() -> None:
    silence = Capture(hum(6, 50.0, {1: 0.01}, 1) + hiss(6, 2), RATE_HZ)
    assert Hum(mains_hz=60.0).plan(silence, silence).is_identity


def test_hum_that_stops_half_way_is_not_added_to_what_follows() -> None:
    """The level is followed over a quarter of a second, so the second of the stop is left out."""
    noise = hum(10, 50.0, BUZZ, 3)
    noise[5 * RATE_HZ :] = 0.0
    take = Capture(noise + hiss(10, 4), RATE_HZ)
    plan = Hum().plan(take, Capture(hum(8, 50.0, BUZZ, 5) + hiss(8, 6), RATE_HZ))
    out = plan.apply(take)[0].samples[0]
    for second in (0, 1, 2, 3, 4, 6, 7, 8, 9):
        part = slice(second * RATE_HZ, (second + 1) * RATE_HZ)
        assert level_db(out[part]) < level_db(take.samples[0, part]) + 0.5


def test_the_silence_goes_through_with_the_same_waveform() -> None:
    take = Capture(plucks(6) + hum(6, 50.0, BUZZ, 3) + hiss(6, 4), RATE_HZ)
    silence = Capture(hum(6, 50.0, BUZZ, 5) + hiss(6, 6), RATE_HZ)
    stage = Hum()
    after = stage.floor_after(silence, stage.plan(take, silence)).read(0, silence.frames)
    assert level_db(after[0]) == pytest.approx(level_db(hiss(6, 6)), abs=1.0)


def test_settings_out_of_range_are_refused() -> None:
    with pytest.raises(SettingError, match="50Hz, 60Hz or auto"):
        Hum(mains_hz=55.0)


@pytest.mark.parametrize("mains_hz", [50.0, 59.98])
@pytest.mark.parametrize("with_silence", [True, False])
def test_a_line_near_a_harmonic_that_grows_with_the_notes_is_doubtful_and_left(
    mains_hz: float, with_silence: bool
) -> None:
    """The hum has no second harmonic; a partial near it comes and goes with each note."""
    t = np.arange(12 * RATE_HZ) / RATE_HZ
    near = 0.02 * np.exp(-1.5 * (t % 3.0)) * np.sin(2 * np.pi * (2 * mains_hz + 0.15) * t)
    quiet = hum(8, mains_hz, BUZZ, 5) + hiss(8, 6)
    take = Capture(near + hum(12, mains_hz, BUZZ, 3) + hiss(12, 4), RATE_HZ)
    plan = Hum().plan(take, Capture(quiet, RATE_HZ) if with_silence else None)
    row = plan.findings["doubtful"][0]
    assert row["harmonic"] == 2
    assert row["hz"] == pytest.approx(2 * mains_hz + 0.15, abs=0.1)
    assert row["why"] == "grows and fades with the notes"
    assert f"2 x {round(mains_hz, -1):.0f} Hz" in plan.reasons["doubtful"]
    kept = plan.apply(take, Capture(near, RATE_HZ))[1].samples[0]
    assert level_db(kept - near) < level_db(near) - 30


def test_hum_and_nothing_else_has_no_doubtful_line() -> None:
    take = Capture(hum(12, 50.02, BUZZ, 3) + hiss(12, 4), RATE_HZ)
    plan = Hum().plan(take, Capture(hum(8, 50.0, BUZZ, 5) + hiss(8, 6), RATE_HZ))
    assert plan.findings["doubtful"] == []
    assert "doubtful" not in plan.reasons


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("corner_hz", [30.0, 60.0])
def test_a_hum_of_one_line_goes_after_a_high_pass(seed: int, corner_hz: float) -> None:
    """What the filter makes of the ends of the silence lies on lines that the hum does not have."""
    noise = hum(8, 50.02, {1: 0.01}, seed)
    take = Capture(noise + hiss(8, seed + 10), RATE_HZ)
    silence = Capture(hum(6, 49.99, {1: 0.01}, seed + 20) + hiss(6, seed + 30), RATE_HZ)
    operator = HighPass(corner_hz=corner_hz).plan(take, silence).operator
    plan = Hum().plan(Planned(take, operator), Planned(silence, operator))
    assert [row["harmonic"] for row in plan.findings["harmonics"]] == [1]
    passed = Planned(Capture(noise, RATE_HZ), operator)
    left = plan.apply(Planned(take, operator), passed)[1].samples[0]
    middle = slice(RATE_HZ, 7 * RATE_HZ)
    assert level_db(left[middle]) < level_db(passed.read(0, noise.size)[0, middle]) - 30


@pytest.mark.parametrize("seed", range(6))
def test_lines_by_chance_do_not_move_the_frequency_of_a_single_one(seed: int) -> None:
    """Its Cramer-Rao bound is below 0.1 mHz here; a period of the wrong length is 10 mHz off."""
    mains_hz = 50.0 + float(np.random.default_rng(seed).uniform(-0.5, 0.5))
    silence = Capture(hum(6, mains_hz, {1: 0.01}, seed) + hiss(6, seed + 1), RATE_HZ)
    model = learn_silence(silence, Candidate(mains_hz + 0.02, {1: 60.0, 39: 11.0, 53: 11.0}))
    assert model is not None
    assert model.mains_hz == pytest.approx(mains_hz, abs=0.001)
