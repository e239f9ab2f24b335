"""The trial against parts that are known, and what it says where nothing can be known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from cleanchain.account import Parts, account
from cleanchain.audio.capture import Capture, collect
from cleanchain.audio.source import Excerpt
from cleanchain.chain import Chain
from cleanchain.measure.excerpts import choose_excerpts, weights_of
from cleanchain.measure.redraw import draw_hiss
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum, HumPlan
from cleanchain.stages.hum_continued import continued
from cleanchain.stand_ins import mended, parts_heard, stand_ins
from cleanchain.trial import trial
from tests.test_ledger import RATE_HZ, parts, silence


def test_trial_lies_near_the_truth() -> None:
    known = parts()
    chain = Chain([Gate(depth_db=20.0)])
    plan = chain.plan(known.mixture, silence())
    true, told = account(plan, known, "known").total, trial(chain, plan, silence()).total
    assert told.evidence == "trial"
    for name in ("noise_removed_db", "hiss_removed_db", "signal_error_db"):
        value = getattr(told, name)
        if value is not None:
            assert value == pytest.approx(getattr(true, name), abs=3.0), name


def test_the_cost_of_a_filter_is_seen_though_the_cleaned_take_cannot_show_it() -> None:
    known = parts(hiss_level=0.002)
    chain = Chain([HighPass(corner_hz=300.0)])
    plan = chain.plan(known.mixture, silence(0.002))
    _, kept = plan.plans[0].apply(known.mixture, known.signal)
    s, k = known.signal.samples, kept.samples
    gain = np.sum(s * k) / np.sum(s * s)
    true = 10 * np.log10(np.sum((k - gain * s) ** 2) / np.sum((gain * s) ** 2))
    told = trial(chain, plan, silence(0.002)).stages[0]
    assert told.signal_error_db == pytest.approx(true, abs=0.3)
    low, high = told.intervals["signal_error_db"]
    assert low < true < high


def wandering(seed: int, frames: int, walk_hz: float = 0.02) -> np.ndarray:
    """Hum of a mains whose frequency walks at random, so far in a second."""
    walk = np.cumsum(np.random.default_rng(seed).normal(0, walk_hz / RATE_HZ**0.5, frames))
    phase = 2 * np.pi * np.cumsum(50.02 + walk) / RATE_HZ
    hum: np.ndarray = 0.02 * sum(np.cos(h * phase + h) / h for h in (1, 3, 5, 7, 9))
    return hum[None]


def test_a_hum_that_goes_on_is_taken_out_no_better_than_the_true_one() -> None:
    """The true path is rougher than the smooth one that is found; the trial's must be too."""
    away = []
    for seed in range(3):
        known = parts(seed=seed)
        hum = wandering(seed, known.signal.frames)
        known = Parts(known.signal, Capture(hum, RATE_HZ), known.hiss)
        hiss = 0.01 * np.random.default_rng(100 + seed).standard_normal(hum.shape)
        quiet = Capture(hiss + wandering(200 + seed, hum.shape[1]), RATE_HZ)
        chain = Chain([Hum()])
        plan = chain.plan(known.mixture, quiet)
        true = account(plan, known, "known").total.hum_removed_db
        told = trial(chain, plan, quiet).total.hum_removed_db
        assert true is not None
        assert told is not None
        away.append(told - true)
    print(np.round(away, 2))
    assert abs(np.mean(away)) < 3.3  # half the interval that the ledger gives


def test_the_stand_ins_add_up_to_the_take_and_the_hiss_is_like_that_of_the_silence() -> None:
    known = parts()
    chain = Chain([HighPass(), Hum(), Gate()])
    heard = parts_heard(chain, known.mixture, silence())
    drawn = stand_ins(known.mixture, heard, np.random.default_rng(1))
    assert np.abs(drawn.mixture.samples - known.mixture.samples).max() < 1e-12
    for one, other in ((drawn.hiss, known.hiss), (drawn.signal, known.signal)):
        powers = [np.mean(part.samples**2) for part in (one, other)]
        assert 10 * np.log10(powers[0] / powers[1]) == pytest.approx(0.0, abs=0.5)
    # The hiss that the take shows where it sounds alone, and that which is drawn, are one.
    rest = slice(0, round(0.15 * RATE_HZ))
    assert np.corrcoef(drawn.hiss.samples[0, rest], known.hiss.samples[0, rest])[0, 1] > 0.9


def test_the_hum_of_a_long_take_goes_on_where_its_excerpts_are_joined() -> None:
    """Where it jumped, the hum stage would leave some; and what is found of it must not be hiss."""
    frames, rng = 50 * RATE_HZ, np.random.default_rng(5)
    seconds = np.arange(frames) / RATE_HZ
    signal = 0.2 * np.sin(2 * np.pi * 440 * seconds) * np.exp(-3 * (seconds % 1.0))
    hiss = 0.002 * rng.standard_normal((1, frames))
    take = Capture(signal[None] + wandering(6, frames) + hiss, RATE_HZ)
    quiet = 0.002 * rng.standard_normal((1, 8 * RATE_HZ)) + wandering(7, 8 * RATE_HZ)
    silence = Capture(quiet, RATE_HZ, "silence")
    ranges = [(0, 8 * RATE_HZ), (round(19.003 * RATE_HZ), 27 * RATE_HZ), (40 * RATE_HZ, frames)]
    joined = collect(Excerpt(take, ranges, "excerpts"))
    chain = Chain([Hum()])
    whole = mended(chain, joined, silence, np.random.default_rng(9))
    heard = parts_heard(chain, whole, silence)
    assert isinstance(heard.comb, HumPlan)
    assert heard.comb.path.jumps == heard.comb.path.breaks == ()
    drawn = stand_ins(whole, heard, np.random.default_rng(8))
    for low, high in itertools.pairwise((0, *joined.joins, joined.frames)):
        power = float(np.mean(drawn.hiss.samples[:, low:high] ** 2))
        assert 10 * np.log10(power / np.mean(hiss**2)) == pytest.approx(0.0, abs=1.0)
    left, hum = heard.comb.apply(drawn.hum)[0].samples, drawn.hum.samples
    assert np.mean(left**2) < 1e-3 * np.mean(hum**2)


def test_the_hum_of_a_long_take_falls_in_the_trial_as_it_does_at_its_ends_and_between() -> None:
    """A high-pass leaves much of the hum at both ends: thirty seconds have as many as a minute."""
    frames, rng = 60 * RATE_HZ, np.random.default_rng(12)
    seconds = np.arange(frames) / RATE_HZ
    signal = 0.2 * np.sin(2 * np.pi * 440 * seconds) * np.exp(-3 * (seconds % 1.0))
    hiss = 0.002 * rng.standard_normal((1, frames))
    lanes = (signal[None], wandering(6, frames), hiss)
    known = Parts(*(Capture(lane, RATE_HZ) for lane in lanes))
    quiet = 0.002 * rng.standard_normal((1, 8 * RATE_HZ)) + wandering(7, 8 * RATE_HZ)
    chain = Chain([HighPass(90.0), Hum()])
    plan = chain.plan(known.mixture, Capture(quiet, RATE_HZ, "silence"))
    true = account(plan, known, "known").total.hum_removed_db
    told = trial(chain, plan, Capture(quiet, RATE_HZ, "silence")).total.hum_removed_db
    assert told == pytest.approx(true, abs=1.5)


def test_the_path_of_the_hum_errs_in_the_trial_as_far_as_it_does() -> None:
    """In power, over takes whose mains walk by up to 10 mHz in a second, by themselves.

    A walk twice as quick turns within a cell, which no draw of its cells shows: what is left of
    such a hum alone comes out 8 dB too small.
    """
    ratios_db = []
    for seed, walk_hz in enumerate((0.0, 0.003, 0.01) * 3):
        frames, rng = 15 * RATE_HZ, np.random.default_rng(seed)
        hum = wandering(20 + seed, frames, walk_hz)
        hiss = 0.002 * rng.standard_normal((1, frames))
        quiet = 0.002 * rng.standard_normal((1, 8 * RATE_HZ))
        quiet = quiet + wandering(40 + seed, 8 * RATE_HZ, walk_hz)
        plan = Hum().plan(Capture(hum + hiss, RATE_HZ), Capture(quiet, RATE_HZ, "silence"))
        assert isinstance(plan, HumPlan)
        drawn = continued(plan.path, frames, rng)
        left, as_told = (plan.apply(Capture(one, RATE_HZ))[0].samples for one in (hum, drawn))
        ratios_db.append(10 * np.log10(np.mean(as_told**2) / np.mean(left**2)))
    assert np.mean(ratios_db) == pytest.approx(0.0, abs=1.5)


def test_without_a_silence_the_noise_is_not_known() -> None:
    known = parts()
    chain = Chain([HighPass()])
    total = trial(chain, chain.plan(known.mixture), None).total
    assert total.noise_removed_db is total.hum_removed_db is total.musical_noise is None
    assert "silence" in total.reasons["hiss_removed_db"]
    assert total.signal_error_db is not None


@pytest.mark.parametrize("seconds", [3, 60])
def test_of_a_silent_take_nothing_is_known(seconds: int) -> None:
    take = Capture(np.zeros((1, seconds * RATE_HZ)), RATE_HZ)
    chain = Chain([HighPass(), Gate()])
    total = trial(chain, chain.plan(take, silence()), silence()).total
    assert total.noise_removed_db is total.signal_lost_db is total.cost_db is None
    assert total.reasons["signal_lost_db"] == "there is no signal in it"


def test_a_chain_that_does_nothing_costs_nothing() -> None:
    known = parts()
    chain = Chain([Gate(depth_db=0.0)])
    total = trial(chain, chain.plan(known.mixture, silence()), silence()).total
    assert (total.noise_removed_db, total.cost_db, total.signal_error_db) == (0.0, 0.0, -120.0)


def test_the_same_twice_and_nearer_with_a_reference() -> None:
    known = parts()
    chain = Chain([Gate()])
    plan = chain.plan(known.mixture, silence())
    one, two = (
        trial(chain, plan, silence(), reference=known.signal).total.numbers() for _ in range(2)
    )
    assert one == two
    true = account(plan, known, "known").total
    assert one["signal_error_db"] == pytest.approx(true.signal_error_db, abs=1.0)


def test_drawn_hiss_has_the_spectrum_and_what_channels_share_but_not_the_samples() -> None:
    rng = np.random.default_rng(2)
    one, other = rng.standard_normal((2, 4 * RATE_HZ))
    one = np.convolve(one, [1, 0.9, 0.5], mode="same")
    hiss = np.stack([one, 0.8 * one + 0.6 * other])
    drawn = draw_hiss(hiss, 8 * RATE_HZ, RATE_HZ, rng)
    assert drawn.shape == (2, 8 * RATE_HZ)
    for before, after in zip(hiss, drawn, strict=True):
        powers = [
            np.mean(np.abs(np.fft.rfft(w.reshape(-1, 480) * np.hanning(480))) ** 2, axis=0)
            for w in (before, after)
        ]
        bands = [p[:240].reshape(12, 20).sum(axis=1) for p in powers]
        assert 10 * np.log10(bands[1] / bands[0]) == pytest.approx(np.zeros(12), abs=0.5)
    shared = [np.corrcoef(w)[0, 1] for w in (hiss, drawn)]
    assert shared[1] == pytest.approx(shared[0], abs=0.03)
    half = drawn[0, : 4 * RATE_HZ]
    size = 2 * half.size
    again = np.fft.irfft(
        np.fft.rfft(drawn[0], 4 * half.size) * np.conj(np.fft.rfft(half, 4 * half.size))
    )
    assert np.abs(again[RATE_HZ // 10 : size]).max() < 0.2 * again[0]


def test_frames_of_excerpts_stand_for_the_take_but_for_its_ends() -> None:
    ranges = [(0, 6000), (20_000, 26_000), (54_000, 60_000)]
    weights = weights_of(ranges, 60_000, 1000)
    assert weights.sum() == pytest.approx(60_000)
    assert (weights[:1000] == 1.0).all()
    assert (weights[-1000:] == 1.0).all()
    assert weights[1000:-1000] == pytest.approx(58 / 16)


def test_excerpts_keep_the_weights_of_loud_and_quiet() -> None:
    rng = np.random.default_rng(3)
    levels = np.repeat(rng.choice([0.001, 0.01, 0.1, 1.0], 120, p=[0.4, 0.3, 0.2, 0.1]), 1000)
    take = Capture(levels * rng.standard_normal(levels.size), 1000)
    ranges = choose_excerpts(take, 6, 5.0)
    assert ranges[0][0] == 0
    assert ranges[-1][1] == take.frames
    assert sum(stop - start for start, stop in ranges) == 32 * 1000
    assert all(a[1] <= b[0] for a, b in itertools.pairwise(ranges))
    chosen = np.concatenate([levels[a:b] for a, b in ranges])
    for level in (0.001, 0.01, 0.1, 1.0):
        assert np.mean(chosen == level) == pytest.approx(np.mean(levels == level), abs=0.1)
    assert choose_excerpts(take, 60, 5.0) == [(0, take.frames)]
