"""The hum stage where notes, breaks and drift stand in its way; all signals have known parts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from cleanchain.audio.capture import Capture, collect
from cleanchain.operators.comb import Comb
from cleanchain.operators.planned import Planned
from cleanchain.stages.hum import Hum, HumPlan
from tests.bench.hum_cases import frequency_errors

RATE_HZ = 16_000
SECONDS = 12
#: Relative amplitudes: odd only, and all; phases differ from one to the next.
ODD = {1: 1.0, 3: 0.5, 5: 0.35, 7: 0.2, 9: 0.12, 11: 0.1}
MIXED = {h: 0.8 / h for h in range(1, 15)}
#: Phases of the partials of a drone, cycles.
TURNS = tuple(k * k / (2 * np.pi) for k in range(1, 13))


def mains(hz: float, drift_hz: float, seconds: float, seed: int) -> np.ndarray:
    """Phase in cycles of mains that wander in steps of a second around their mean."""
    rng = np.random.default_rng(seed)
    walk = np.cumsum(rng.standard_normal(int(seconds) + 2))
    walk -= walk.mean()
    walk *= drift_hz / np.sqrt(np.mean(walk**2))
    n = np.arange(int(seconds * RATE_HZ))
    return (
        rng.random() + np.cumsum(hz + np.interp(n / RATE_HZ, np.arange(walk.size), walk)) / RATE_HZ
    )


def hum(cycles: np.ndarray, harmonics: dict[int, float], level_dbfs: float = -40.0) -> np.ndarray:
    wave = sum(a * np.cos(2 * np.pi * (h * cycles + 0.17 * h * h)) for h, a in harmonics.items())
    return 10 ** (level_dbfs / 20) / np.sqrt(sum(a * a / 2 for a in harmonics.values())) * wave


def hiss(seconds: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng([seed, 9])
    return 2e-4 * rng.standard_normal(int(seconds * RATE_HZ))


def drone(hz: float, turns: Sequence[float] | np.ndarray = TURNS) -> np.ndarray:
    n = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    partials = [
        np.cos(2 * np.pi * (k * hz * n + turn)) / k
        for k, turn in enumerate(turns, 1)
        if k * hz < 7000
    ]
    wave = np.sum(partials, axis=0)
    return 0.1 * wave / np.sqrt(np.mean(wave**2))


def plucks(seed: int) -> np.ndarray:
    """Notes of a harp a third of a second apart, some of them on the comb of 50 Hz."""
    rng = np.random.default_rng(seed)
    wave = np.zeros(SECONDS * RATE_HZ)
    for start in np.arange(0.3, SECONDS - 1.5, 0.33):
        f = 440.0 * 2 ** (rng.integers(-24, 12) / 12)
        t = np.arange(int(1.4 * RATE_HZ)) / RATE_HZ
        note = sum(
            np.sin(2 * np.pi * k * f * t + k) * np.exp(-t * (2 + k)) / k
            for k in range(1, 9)
            if k * f < 7000
        )
        at = int(start * RATE_HZ)
        wave[at : at + t.size] += 0.15 * note
    return wave


def amplitude(wave: np.ndarray, hz: float) -> float:
    window = np.hanning(wave.size)
    turn = np.exp(-2j * np.pi * hz * np.arange(wave.size) / RATE_HZ)
    return float(abs((wave * window) @ turn))


def cleaned(take: np.ndarray, silence: np.ndarray) -> tuple[np.ndarray, HumPlan]:
    source = Capture(take, RATE_HZ)
    plan = Hum().plan(source, Capture(silence, RATE_HZ))
    assert isinstance(plan, HumPlan)
    return plan.apply(source)[0].samples[0], plan


def error_db(out: np.ndarray, wanted: np.ndarray) -> float:
    return float(10 * np.log10(np.sum((out - wanted) ** 2) / np.sum(wanted**2)))


@pytest.mark.parametrize("mains_hz", [50.0, 49.97, 60.0, 60.03])
@pytest.mark.parametrize(
    ("name", "hz"),
    # Equal temperament, A4 = 440 Hz: A2 has partials near 11 x 50 and on 60's comb, the others
    # lie within 2 cents to 1 Hz of harmonics of 50 or 60 Hz; the last is an exact collision.
    [("A2", 110.0), ("G1", 48.999), ("F4", 349.228), ("B1", 61.735), ("E5", 659.255), ("D3", 0.0)],
)
@pytest.mark.parametrize("harmonics", [ODD, MIXED])
def test_drones_on_the_comb_keep_every_partial(
    name: str, hz: float, mains_hz: float, harmonics: dict[int, float]
) -> None:
    """Within 0.1 dB; a fixed comb takes them whole."""
    del name
    hz = hz or 3 * mains_hz
    signal = drone(hz)
    take = signal + hum(mains(mains_hz, 0.01, SECONDS, 1), harmonics) + hiss(SECONDS, 2)
    silence = hum(mains(mains_hz, 0.01, 8, 3), harmonics) + hiss(8, 4)
    out, _ = cleaned(take, silence)
    for k in range(1, 13):
        if k * hz < 7000:
            change = 20 * np.log10(amplitude(out, k * hz) / amplitude(signal, k * hz))
            assert abs(change) < 0.1, f"partial {k}"


@pytest.mark.parametrize("mains_hz", [49.5, 50.1, 59.7, 60.4])
@pytest.mark.parametrize("drift_hz", [0.0, 0.02, 0.05])
def test_error_is_far_below_that_of_a_fixed_comb(mains_hz: float, drift_hz: float) -> None:
    signal, noise = plucks(5), hiss(SECONDS, 6)
    take = signal + hum(mains(mains_hz, drift_hz, SECONDS, 7), ODD) + noise
    silence = hum(mains(mains_hz, drift_hz, 8, 8), ODD) + hiss(8, 9)
    out, _ = cleaned(take, silence)
    comb = Comb.at(mains_hz, tuple(ODD), 2.0, RATE_HZ)
    combed = collect(Planned(Capture(take, RATE_HZ), comb)).samples[0]
    assert error_db(out, signal + noise) < error_db(combed, signal + noise) - 15


def test_a_jump_of_the_phase_is_found_to_the_sample() -> None:
    cycles = mains(50.02, 0.02, SECONDS, 10)
    cycles[7 * RATE_HZ :] += 0.37
    signal, noise = plucks(11), hiss(SECONDS, 12)
    out, plan = cleaned(
        signal + hum(cycles, ODD) + noise, hum(mains(50, 0.01, 8, 13), ODD) + hiss(8, 14)
    )
    assert len(plan.path.jumps) == 1
    assert plan.path.jumps[0] == pytest.approx(7 * RATE_HZ, abs=8)
    assert error_db(out, signal + noise) < -45


@pytest.mark.parametrize("first", [True, False])
def test_hum_for_half_of_the_take_is_taken_from_that_half_only(first: bool) -> None:
    noise = hum(mains(50.02, 0.02, SECONDS, 15), ODD)
    half = slice(6 * RATE_HZ, None) if first else slice(0, 6 * RATE_HZ)
    noise[half] = 0.0
    signal, floor = plucks(16), hiss(SECONDS, 17)
    out, plan = cleaned(signal + noise + floor, hum(mains(50, 0.01, 8, 18), ODD) + hiss(8, 19))
    assert error_db(out, signal + floor) < -30
    assert "only" in plan.reasons["heard_s"]
    far = slice(int(6.5 * RATE_HZ), None) if first else slice(0, int(5.5 * RATE_HZ))
    assert error_db(out[far], (signal + floor)[far]) < -35


def test_a_file_edited_from_50_to_60_hz_is_cleaned_where_the_silence_fits_and_says_so() -> None:
    noise = hum(mains(50.02, 0.01, SECONDS, 20), ODD)
    noise[6 * RATE_HZ :] = hum(mains(60.0, 0.01, SECONDS, 21), ODD)[6 * RATE_HZ :]
    signal, floor = plucks(22), hiss(SECONDS, 23)
    take = signal + noise + floor
    out, plan = cleaned(take, hum(mains(50, 0.01, 8, 24), ODD) + hiss(8, 25))
    assert "only" in plan.reasons["heard_s"]
    first, second = slice(0, int(5.5 * RATE_HZ)), slice(int(6.5 * RATE_HZ), None)
    assert error_db(out[first], (signal + floor)[first]) < -30
    assert error_db(out[second], take[second]) < -25  # left alone
    assert np.sum(out**2) <= np.sum(take**2)


@pytest.mark.parametrize("runs", [120, pytest.param(2000, marks=pytest.mark.long)])
def test_frequency_reaches_the_joint_cramer_rao_bound(runs: int) -> None:
    errors, bound = frequency_errors(range(runs))
    # The variance of 120 runs is itself known to 13 % (one standard deviation).
    assert (0.8 if runs > 1000 else 0.6) < np.mean(np.square(errors)) / bound < 1.5
    assert abs(np.mean(errors)) < 4 * np.sqrt(bound / runs)


def test_the_first_and_the_last_moments_are_as_clean_as_the_rest() -> None:
    """Half a period of hum that is left at an edge is a click, and would pass for a thump."""
    noise = hum(mains(50.03, 0.02, SECONDS, 30), ODD)
    source = Capture(noise + hiss(SECONDS, 31), RATE_HZ)
    silence = Capture(hum(mains(49.98, 0.02, 8, 32), ODD) + hiss(8, 33), RATE_HZ)
    left = Hum().plan(source, silence).apply(source, Capture(noise, RATE_HZ))[1].samples[0]
    edge = RATE_HZ // 50
    for part in (slice(0, edge), slice(-edge, None)):
        assert np.sum(left[part] ** 2) < 1e-3 * np.sum(noise[part] ** 2)


@pytest.mark.parametrize("seed", [0, 1, 8])
@pytest.mark.parametrize("level_dbfs", [-30.0, -40.0])
def test_a_drone_on_the_fundamental_itself_makes_nothing_louder(
    seed: int, level_dbfs: float
) -> None:
    """All odd lines of the hum lie under partials that keep their phase: they cannot be told."""
    rng = np.random.default_rng(seed)
    hz = float(rng.choice([50.0, 60.0]) + rng.uniform(-0.5, 0.5))
    n = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    turns = rng.uniform(0, 2 * np.pi, 13)
    wave = np.sum([np.cos(2 * np.pi * k * hz * n + turns[k]) / k for k in range(1, 13)], axis=0)
    signal = 0.1 * wave / np.sqrt(np.mean(wave**2)) + hiss(SECONDS, seed)
    take = signal + hum(mains(hz, 0.0, SECONDS, seed + 50), ODD, level_dbfs)
    silence = hum(mains(hz, 0.01, 8, seed + 90), ODD, level_dbfs) + hiss(8, seed + 4)
    source = Capture(take, RATE_HZ)
    plan = Hum().plan(source, Capture(silence, RATE_HZ))
    out = plan.apply(source)[0].samples[0]
    assert error_db(out, signal) < error_db(take, signal) + 0.01
    if plan.is_identity:
        assert "hides the hum" in plan.reasons["mains_hz"]


def bands_db(wave: np.ndarray) -> np.ndarray:
    """Level of third octaves (base 10, IEC 61260-1) from 25 Hz to 4 kHz, dB."""
    power = np.abs(np.fft.rfft(wave * np.hanning(wave.size))) ** 2
    edges = 1000 * 10 ** ((np.arange(-16, 8) - 0.5) / 10) * wave.size / RATE_HZ
    return 10 * np.log10(np.add.reduceat(power, edges.astype(int))[:-1])


def switched(kind: str, cycles: np.ndarray, at: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a hum with a trap at a sample, and its level there and then."""
    level = np.ones(cycles.size)
    if kind == "sets in":
        level[:at] = 0.0
    if kind == "stops":
        level[at:] = 0.0
    if kind == "gap":
        level[at : at + 2 * RATE_HZ] = 0.0
    if kind == "jumps":
        cycles = cycles + 0.37 * (np.arange(cycles.size) >= at)
    return level * hum(cycles, ODD, -45.0), level


@pytest.mark.parametrize("kind", ["sets in", "stops", "gap", "jumps"])
@pytest.mark.parametrize("seed", [200, 210, 220])
def test_a_switch_of_the_hum_leaves_no_click_in_the_bands_between_its_lines(
    kind: str, seed: int
) -> None:
    """No third octave is louder than in the take, beyond what it is without any hum."""
    at = int(np.random.default_rng(seed).uniform(4.0, 8.0) * RATE_HZ)
    noise, _ = switched(kind, mains(50.03, 0.02, SECONDS, seed), at)
    wanted = plucks(seed + 1) + hiss(SECONDS, seed + 2)
    out, plan = cleaned(wanted + noise, hum(mains(50, 0.01, 8, seed + 3), ODD, -45.0) + hiss(8, 4))
    before = bands_db(wanted + noise)
    chance = max(float((bands_db(wanted) - before).max()), 0.0)
    assert float((bands_db(out) - before).max()) < chance + 0.1
    assert error_db(out, wanted) < error_db(wanted + noise, wanted) - 15
    found = plan.path.jumps if kind == "jumps" else plan.path.breaks
    assert min(abs(one - at) for one in found) <= 8 * RATE_HZ // 50


@pytest.mark.parametrize("seed", [230, 240])
def test_where_another_hum_follows_at_once_no_band_is_louder(seed: int) -> None:
    """A take cut from one with 50 and one with 60 Hz; the silence knows the first only."""
    at = int(np.random.default_rng(seed).uniform(4.0, 8.0) * RATE_HZ)
    noise = hum(mains(50.02, 0.01, SECONDS, seed), ODD)
    noise[at:] = hum(mains(60.0, 0.01, SECONDS, seed + 1), ODD)[at:]
    take = plucks(seed + 2) + hiss(SECONDS, seed + 3) + noise
    out, plan = cleaned(take, hum(mains(50, 0.01, 8, seed + 4), ODD) + hiss(8, seed + 5))
    assert float((bands_db(out) - bands_db(take)).max()) < 0.06
    assert ("eased" in plan.reasons) == bool(plan.path.eased)


@pytest.mark.parametrize(("hz", "mains_hz"), [(349.228, 50.0), (659.255, 59.9)])
@pytest.mark.parametrize("seed", [251, 261])
def test_a_drone_on_a_high_harmonic_and_its_multiples_stays_without_a_silence(
    hz: float, mains_hz: float, seed: int
) -> None:
    """F4 and E5 lie 0.8 and 0.4 Hz off the 7th and 11th harmonics: a path that jumps meets both."""
    signal = drone(hz, np.random.default_rng(seed).random(12)) + hiss(SECONDS, seed)
    take = signal + hum(mains(mains_hz, 0.02, SECONDS, seed), ODD, -51.0)
    source = Capture(take, RATE_HZ)
    plan = Hum().plan(source)
    out = plan.apply(source)[0].samples[0]
    assert error_db(out, signal) < error_db(take, signal) - 3
    assert any("far louder" in row["why"] for row in plan.findings["doubtful"])


@pytest.mark.parametrize(
    ("hz", "mains_hz"), [(52.52, 60.03), (58.27, 49.95), (62.45, 49.95), (105.03, 60.03)]
)
def test_a_partial_of_a_drone_on_a_harmonic_stays_without_a_silence(
    hz: float, mains_hz: float
) -> None:
    """Its 8th, 6th or 4th partial lies within 0.2 Hz of the 7th or 5th harmonic, and is louder."""
    signal = drone(hz, np.random.default_rng(40).random(12)) + hiss(SECONDS, 41)
    take = signal + hum(mains(mains_hz, 0.01, SECONDS, 42), ODD, -50.0)
    source = Capture(take, RATE_HZ)
    out = Hum().plan(source).apply(source)[0].samples[0]
    assert error_db(out, signal) < error_db(take, signal) + 0.1


@pytest.mark.parametrize("hz", [349.228, 61.735, 659.255])
def test_a_drone_without_a_silence_gets_no_louder_band(hz: float) -> None:
    """Between its partials there is hiss only, where sidebands of a hum would be heard."""
    signal = drone(hz) + hiss(SECONDS, 250)
    take = signal + hum(mains(60.1, 0.03, SECONDS, 251), ODD, -34.0)
    source = Capture(take, RATE_HZ)
    out = Hum().plan(source).apply(source)[0].samples[0]
    assert float((bands_db(out) - bands_db(take)).max()) < 0.15
    assert error_db(out, signal) < error_db(take, signal) + 0.01


@pytest.mark.parametrize("seed", [303, 322, 323, 328])
def test_a_drone_makes_no_break_of_a_hum_that_goes_on(seed: int) -> None:
    """Its partials beat with the lines that they lie near."""
    signal = drone(61.735, np.random.default_rng(seed).random(12)) + hiss(SECONDS, seed)
    take = signal + hum(mains(49.86, 0.0, SECONDS, seed + 1), MIXED, -50.0)
    out, plan = cleaned(take, hum(mains(50, 0.0, 8, seed + 2), MIXED, -50.0) + hiss(8, seed + 3))
    assert plan.path.breaks == ()
    assert error_db(out, signal) < -50


def test_a_channel_gets_no_line_that_it_does_not_have() -> None:
    """Odd lines in the one, even ones in the other."""
    phase = mains(50.02, 0.03, SECONDS, 260)
    even = {h: 4 / (np.pi * (h * h - 1)) for h in range(2, 13, 2)}
    noises = np.array([hum(phase, ODD), hum(phase, even, -46.0)])
    wanted = np.array([plucks(261), plucks(262)]) + hiss(SECONDS, 263)
    still = mains(50.0, 0.01, 8, 264)
    silence = np.array([hum(still, ODD), hum(still, even, -46.0)]) + hiss(8, 265)
    source = Capture(wanted + noises, RATE_HZ)
    plan = Hum().plan(source, Capture(silence, RATE_HZ))
    assert isinstance(plan, HumPlan)
    lines = np.array(plan.model.harmonics)
    assert np.all(plan.model.amplitudes[0, lines % 2 == 0] == 0)
    assert np.all(plan.model.amplitudes[1, lines % 2 == 1] == 0)
    out = plan.apply(source)[0].samples
    for channel in range(2):
        rise = bands_db(out[channel]) - bands_db(source.samples[channel])
        assert float(rise.max()) < 0.05
        assert error_db(out[channel], wanted[channel]) < -45
