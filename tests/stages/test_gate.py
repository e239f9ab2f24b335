from __future__ import annotations

import numpy as np
import pytest

from cleanchain.account import Parts, account
from cleanchain.audio.capture import Capture
from cleanchain.chain import Chain
from cleanchain.errors import InputError, SettingError
from cleanchain.measure.quality import musical_noise, tiles
from cleanchain.stages.gate import Gate

RATE_HZ = 48_000


def hiss(seconds: float, seed: int, level: float = 1e-3, channels: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return level * rng.standard_normal((channels, int(seconds * RATE_HZ)))


def plucks(seconds: float) -> np.ndarray:
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    wave = np.zeros_like(t)
    for k, hz in enumerate((196.0, 247.0, 294.0, 392.0, 330.0)):
        since = t - 0.8 - 0.9 * k
        for partial in range(1, 8):
            tone = np.sin(2 * np.pi * hz * partial * since) / partial
            wave += np.where(since > 0, np.exp(-(1 + 0.5 * partial) * since.clip(0)), 0) * tone
    return 0.1 * wave[None]


@pytest.mark.parametrize("method", ["estimate", "threshold"])
def test_hiss_alone_goes_down_by_the_depth(method: str) -> None:
    """Depth 12 dB: the floor of an empty stretch falls by 10 dB or more, and no further than 12."""
    noise, silence = Capture(hiss(6, 1), RATE_HZ), Capture(hiss(6, 2), RATE_HZ)
    out = Gate(method=method).plan(noise, silence).apply(noise)[0]  # type: ignore[arg-type]
    fall = 10 * np.log10(np.sum(noise.samples**2) / np.sum(out.samples**2))
    assert 10.0 <= fall <= 12.0 + 1e-6


def test_what_is_left_of_hiss_alone_does_not_chirp() -> None:
    noise, silence = Capture(hiss(10, 1), RATE_HZ), Capture(hiss(6, 2), RATE_HZ)
    out = Gate().plan(noise, silence).apply(noise)[0]
    nothing = tiles(np.zeros_like(noise.samples), RATE_HZ)
    ratio = musical_noise(tiles(noise.samples, RATE_HZ), tiles(out.samples, RATE_HZ), nothing)
    assert ratio is not None
    assert ratio < 1.5


def test_signal_is_kept_and_hiss_goes() -> None:
    signal = Capture(plucks(6), RATE_HZ)
    parts = Parts(signal, Capture(0 * signal.samples, RATE_HZ), Capture(hiss(6, 3), RATE_HZ))
    plan = Chain([Gate()]).plan(parts.mixture, Capture(hiss(6, 4), RATE_HZ))
    total = account(plan, parts, "known").total
    assert total.hiss_removed_db is not None
    assert total.hiss_removed_db > 9.0
    assert total.signal_lost_db is not None
    assert abs(total.signal_lost_db) < 0.05
    assert total.signal_error_db is not None
    assert total.signal_error_db < -35


@pytest.mark.parametrize("method", ["estimate", "threshold"])
def test_channels_have_their_own_floors(method: str) -> None:
    """A quiet channel beside a loud one is gated by its own floor, not by their mean."""
    levels = np.array([[1e-3], [3e-2]])
    noise = Capture(hiss(5, 1, 1.0, 2) * levels, RATE_HZ)
    silence = Capture(hiss(5, 2, 1.0, 2) * levels, RATE_HZ)
    out = Gate(method=method).plan(noise, silence).apply(noise)[0]  # type: ignore[arg-type]
    fall = 10 * np.log10((noise.samples**2).sum(axis=1) / (out.samples**2).sum(axis=1))
    assert np.all(fall > 10)


def test_linked_channels_get_the_same_gain() -> None:
    left = plucks(5) + hiss(5, 1)
    both = Capture(np.concatenate([left, 0.5 * left]), RATE_HZ)
    floor = hiss(5, 2)
    out = Gate(link=True).plan(both, Capture(np.concatenate([floor, 0.5 * floor]), RATE_HZ))
    one, two = out.apply(both)[0].samples
    assert two == pytest.approx(0.5 * one, abs=1e-15)


def test_a_steady_tone_keeps_its_ends() -> None:
    """The first and last 50 ms of a tone far above the floor change by less than 0.1 dB."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    tone = Capture(0.1 * np.sin(2 * np.pi * 440 * t) + hiss(2, 1, 1e-5)[0], RATE_HZ)
    out = Gate().plan(tone, Capture(hiss(3, 2, 1e-5), RATE_HZ)).apply(tone)[0].samples
    for part in (slice(0, 2400), slice(-2400, None)):
        change = 10 * np.log10(np.sum(out[:, part] ** 2) / np.sum(tone.samples[:, part] ** 2))
        assert abs(change) < 0.1


def test_the_tail_of_a_note_stays_down_to_6_db_above_the_floor() -> None:
    """A 60 dB decay: the passenger's level stays within 2 dB until 6 dB above its band's floor."""
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    decay_db = -60.0 * t / 8
    tone = 0.1 * 10 ** (decay_db / 20) * np.sin(2 * np.pi * 440 * t)
    level = 1e-3
    take = Capture(tone + hiss(8, 1, level)[0], RATE_HZ)
    plan = Gate().plan(take, Capture(hiss(8, 2, level), RATE_HZ))
    kept = plan.apply(take, Capture(tone, RATE_HZ))[1].samples[0]
    third = level * np.sqrt(440 * 0.2316 / (RATE_HZ / 2))  # rms of the floor in a third octave
    for start in range(0, 8 * RATE_HZ - 4800, 4800):
        part = slice(start, start + 4800)
        rms = np.sqrt(np.mean(tone[part] ** 2))
        if 20 * np.log10(rms / third) > 6:
            change = 10 * np.log10(np.sum(kept[part] ** 2) / np.sum(tone[part] ** 2))
            assert abs(change) < 2.0, f"{change:.1f} dB at {start / RATE_HZ:.1f} s"


def test_a_thump_in_the_silence_is_left_out_by_its_second() -> None:
    silence = hiss(8, 2)
    silence[:, 3 * RATE_HZ : 3 * RATE_HZ + 2000] += 0.1
    noise = Capture(hiss(5, 1), RATE_HZ)
    plan = Gate().plan(noise, Capture(silence, RATE_HZ))
    times = plan.findings["silence_left_out_s"]
    assert len(times) == 1
    assert times[0] == pytest.approx(3.0, abs=0.2)
    assert plan.findings["floor_dbfs"][0] == pytest.approx(-60 + 3.01, abs=0.1)


def test_digital_silence_is_no_floor() -> None:
    noise = Capture(hiss(2, 1), RATE_HZ)
    with pytest.raises(InputError, match="digital silence"):
        Gate().plan(noise, Capture(np.zeros((1, 2 * RATE_HZ)), RATE_HZ))


def test_a_silence_full_of_notes_is_refused() -> None:
    noise = Capture(hiss(6, 1), RATE_HZ)
    rng = np.random.default_rng(3)
    notes = plucks(6) * (rng.random(6 * RATE_HZ) > 0)
    bursts = np.repeat(rng.random(60) < 0.45, RATE_HZ // 10) * notes
    with pytest.raises(InputError, match="not steady"):
        Gate().plan(noise, Capture(hiss(6, 2, 1e-4) + bursts, RATE_HZ))


def test_no_silence_is_refused_in_words() -> None:
    with pytest.raises(InputError, match="Record ten seconds"):
        Gate().plan(Capture(hiss(2, 1), RATE_HZ))


@pytest.mark.parametrize("depth_db", [-1.0, 81.0, float("nan")])
def test_depths_out_of_range_are_refused(depth_db: float) -> None:
    with pytest.raises(SettingError, match="outside 0 to 80"):
        Gate(depth_db=depth_db)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 96_000, 384_000])
def test_every_rate_works(rate_hz: int) -> None:
    rng = np.random.default_rng(1)
    noise = Capture(1e-3 * rng.standard_normal((1, 2 * rate_hz)), rate_hz)
    silence = Capture(1e-3 * rng.standard_normal((1, 3 * rate_hz)), rate_hz)
    plan = Gate().plan(noise, silence)
    assert plan.findings["frame_ms"] == pytest.approx(160, rel=0.06)
    out = plan.apply(noise)[0].samples
    assert 10 < 10 * np.log10(np.sum(noise.samples**2) / np.sum(out**2)) < 12.1


def test_a_silence_that_is_mostly_talk_is_no_floor() -> None:
    at = np.arange(6 * RATE_HZ) / RATE_HZ
    talk = hiss(6, 60) * (1 + 20 * (np.sin(2 * np.pi * 1.3 * at) ** 2 > 0.4))
    with pytest.raises(InputError, match="is not steady"):
        Gate().plan(Capture(hiss(4, 61), RATE_HZ), Capture(talk, RATE_HZ, "silence"))


def test_a_hum_that_beats_in_a_silence_is_a_floor() -> None:
    at = np.arange(6 * RATE_HZ) / RATE_HZ
    beat = 0.02 * (np.sin(2 * np.pi * 50.0 * at) + np.sin(2 * np.pi * 48.9 * at))
    plan = Gate().plan(
        Capture(hiss(4, 62), RATE_HZ), Capture(hiss(6, 63) + beat, RATE_HZ, "silence")
    )
    assert plan.findings["silence_used_s"] > 5.0
