"""Takes that are too short, too long, empty, clipped, not numbers, of odd shapes and rates."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.audio.files import open_source
from cleanchain.audio.source import read_all
from cleanchain.chain import Chain
from cleanchain.cli.stages import default_chain
from cleanchain.stages.gate import Gate
from cleanchain.stages.loudness import Loudness
from tests.audio.waves import chunk, fmt, riff
from tests.faults.sounds import RATE_HZ, hiss, hum, notes

Call = Callable[..., Any]
OUT = ("--out", "out.wav")
GIVEN = ("take.wav", "--silence", "silence.wav", *OUT)


def stored(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="int32", always_2d=True)[0]


@pytest.mark.parametrize("data", [b"", riff(fmt(), chunk(b"data", b""))])
def test_fault_01_a_file_without_audio(takes: Path, call: Call, data: bytes) -> None:
    (takes / "x.wav").write_bytes(data)
    told = call("clean", "x.wav", "--silence", "silence.wav", *OUT)
    assert told.code == 3
    assert "no audio" in told.err
    assert not (takes / "out.wav").exists()


@pytest.mark.parametrize("frames", [1, 2, 100, 1000, 5000])
def test_fault_02_a_take_shorter_than_a_frame_or_a_loudness_block(
    takes: Path, call: Call, frames: int
) -> None:
    soundfile.write(takes / "x.wav", notes(2)[-frames:], RATE_HZ, subtype="PCM_24")
    told = call("clean", "x.wav", "--silence", "silence.wav", *OUT, "--json")
    assert told.code == 0, told.err
    data = json.loads(told.out)
    assert soundfile.info(takes / "out.wav").frames == frames
    assert data["stages"][3]["reasons"]["gain_db"].startswith("left alone")
    assert data["stages"][3]["findings"]["integrated_lufs"] is None


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_fault_03_samples_that_are_no_numbers(takes: Path, call: Call, value: float) -> None:
    samples = notes(4) + hiss(4)
    samples[20_000:20_004] = value
    soundfile.write(takes / "x.wav", samples, RATE_HZ, subtype="FLOAT")
    words = ("clean", "x.wav", "--silence", "silence.wav", *OUT)
    told = call(*words)
    assert told.code == 3
    assert "0:01.2" in told.err
    assert not (takes / "out.wav").exists()
    told = call(*words, "--repair-nan", "high-pass")
    assert told.code == 0
    assert "4 sample(s) that are no numbers at 0:01.2 are bridged" in told.err
    assert np.isfinite(soundfile.read(takes / "out.wav")[0]).all()


def test_fault_04_denormals_are_flushed(tmp_path: Path) -> None:
    """What would slow the arithmetic down never reaches it."""
    tail = np.concatenate([0.1 * np.ones(1000), 10.0 ** -np.linspace(20, 320, 5000)])
    soundfile.write(tmp_path / "x.wav", tail, RATE_HZ, subtype="DOUBLE")
    read = read_all(open_source(tmp_path / "x.wav"))
    assert np.count_nonzero(np.abs(tail) < 1e-300) > 100
    assert not ((read != 0) & (np.abs(read) < 1e-30)).any()
    assert np.array_equal(read[0, :1100], tail[:1100])


@pytest.mark.parametrize("subtype", ["PCM_16", "FLOAT"])
def test_fault_05_digital_silence_all_through(takes: Path, call: Call, subtype: str) -> None:
    soundfile.write(takes / "x.wav", np.zeros((50_000, 2)), RATE_HZ, subtype=subtype)
    soundfile.write(takes / "s.wav", hiss(3, channels=2), RATE_HZ, subtype=subtype)
    told = call("clean", "x.wav", "--silence", "s.wav", *OUT, "--json")
    assert told.code == 0
    assert not stored(takes / "out.wav").any()
    reason = json.loads(told.out)["stages"][3]["reasons"]["gain_db"]
    assert reason == "left alone: the take is silent"


def test_fault_06_an_offset_is_told_and_removed(takes: Path, call: Call) -> None:
    soundfile.write(takes / "x.wav", 0.3 + notes(4) + hiss(4), RATE_HZ, subtype="PCM_24")
    soundfile.write(takes / "s.wav", 0.3 + hiss(4, 2), RATE_HZ, subtype="PCM_24")
    assert "offset of +30.0 %" in call("inspect", "x.wav").out
    told = call("clean", "x.wav", "--silence", "s.wav", *OUT, "high-pass", "gate")
    assert "offset of +30.0 %" in told.err
    after = soundfile.read(takes / "out.wav")[0]
    assert abs(after.mean()) < 1e-4
    # The part of the notes that is left is theirs, not what an offset made of it.
    wanted = notes(4)[:, 0]
    assert np.std(after - wanted) < np.std(0.3 + notes(4) + hiss(4) - wanted[:, None])


@pytest.mark.parametrize("ceiling", [1.0, 0.5])
def test_fault_07_clipped_peaks_are_told_and_never_raised(
    takes: Path, call: Call, ceiling: float
) -> None:
    loud = (6 * notes(4) + hiss(4)).clip(-ceiling, ceiling)
    soundfile.write(takes / "x.wav", loud, RATE_HZ, subtype="PCM_24")
    words = ("clean", "x.wav", "--silence", "silence.wav", *OUT, "--json")
    told = call(*words, "loudness", "--target", "-3LUFS", "--ceiling", "0dBTP")
    assert told.code == 0
    assert "is clipped" in told.err
    assert "0:01.5" in told.err
    assert json.loads(told.out)["stages"][0]["findings"]["gain_db"] <= 0.0
    assert np.abs(soundfile.read(takes / "out.wav")[0]).max() <= ceiling


def test_fault_08_peaks_beyond_full_scale(takes: Path, call: Call) -> None:
    loud = 6 * notes(4) + hiss(4)
    assert np.abs(loud).max() > 1.05
    soundfile.write(takes / "x.wav", loud, RATE_HZ, subtype="FLOAT")
    words = ("--silence", "silence.wav", "high-pass")
    assert call("clean", "x.wav", *OUT, *words).code == 0
    assert np.abs(soundfile.read(takes / "out.wav")[0]).max() > 1.05
    # A filter that turns phases makes the peaks of a square wave higher than its top.
    square = 0.99 * np.sign(np.sin(2 * np.pi * 100 * np.arange(64_000) / RATE_HZ))
    soundfile.write(takes / "y.wav", square, RATE_HZ, subtype="PCM_16")
    strong = (*words, "--corner", "150Hz")
    told = call("clean", "y.wav", "--out", "y.out.wav", *strong)
    assert told.code == 6
    assert "passes full scale by" in told.err
    assert not (takes / "y.out.wav").exists()
    told = call("clean", "y.wav", "--out", "y.out.wav", "--allow-clip", *strong)
    assert told.code == 0
    assert np.abs(stored(takes / "y.out.wav") / 2.0**31).max() > 0.999


def test_fault_09_a_silence_of_other_channels(takes: Path, call: Call) -> None:
    soundfile.write(takes / "x.wav", np.repeat(notes(4) + hiss(4), 2, axis=1), RATE_HZ)
    told = call("clean", "x.wav", "--silence", "silence.wav", *OUT)
    assert told.code == 4
    assert "1 channel(s), but x.wav has 2" in told.err


def test_fault_09_channels_are_cleaned_each_by_its_own_silence(takes: Path, call: Call) -> None:
    """L and -R of the silence are the same: whoever mixes them down learns nothing."""
    one = hiss(3, 2)
    soundfile.write(takes / "s.wav", np.concatenate([one, -one], axis=1), RATE_HZ, "PCM_24")
    music = notes(4)
    take = np.concatenate([music + hiss(4, 3), -0.5 * music + hiss(4, 4)], axis=1)
    soundfile.write(takes / "x.wav", take, RATE_HZ, subtype="PCM_24")
    assert call("clean", "x.wav", "--silence", "s.wav", *OUT, "gate").code == 0
    after = soundfile.read(takes / "out.wav")[0]
    quiet = slice(4000, 20_000)
    fall_db = 10 * np.log10(np.mean(take[quiet] ** 2, axis=0) / np.mean(after[quiet] ** 2, axis=0))
    assert (fall_db > 9).all()


def test_fault_09_a_dead_channel_is_named(takes: Path, call: Call) -> None:
    for name, samples in (("x.wav", notes(4) + hiss(4)), ("s.wav", hiss(3, 2))):
        dead = np.concatenate([samples, np.zeros_like(samples)], axis=1)
        soundfile.write(takes / name, dead, RATE_HZ, subtype="PCM_24")
    told = call("clean", "x.wav", "--silence", "s.wav", *OUT)
    assert told.code == 0
    assert "channel 2 is dead" in told.err
    assert not stored(takes / "out.wav")[:, 1].any()
    assert stored(takes / "out.wav")[:, 0].any()


@pytest.mark.parametrize("channels", [3, 6, 16])
def test_fault_10_many_channels(channels: int) -> None:
    """Each comes out as itself, at the one gain that brings the sum of all to its loudness.

    Weights as ITU-R BS.1770-5 states them are held against the standard in the tests of loudness.
    """
    music = np.concatenate(
        [np.roll(notes(4), 977 * number, axis=0) for number in range(channels)], axis=1
    )
    take = Capture((music + hiss(4, channels=channels)).T, RATE_HZ)
    silence = Capture(hiss(3, 2, channels=channels).T, RATE_HZ)
    plan = Chain([Gate(), Loudness()]).plan(take, silence)
    after = read_all(plan.output)
    mixed = np.linalg.lstsq(take.samples.T, after.T, rcond=None)[0]
    assert mixed == pytest.approx(plan.gain * np.eye(channels), abs=0.02 * plan.gain)
    assert plan.gain != 1.0


def test_fault_11_a_thousand_channels(takes: Path, call: Call) -> None:
    (takes / "x.wav").write_bytes(riff(fmt(channels=1024), chunk(b"data", bytes(2048 * 50))))
    told = call("clean", "x.wav", "--silence", "silence.wav", *OUT)
    assert told.code == 3
    assert "1024 channels; 1 to 64" in told.err


RATES_HZ = [8000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000, 384_000]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_fault_12_every_rate_goes_through_every_stage(rate_hz: int) -> None:
    music = notes(3, rate_hz) + hum(3, rate_hz) + hiss(3, 1, rate_hz)
    take = Capture(music.T, rate_hz)
    silence = Capture((hum(2, rate_hz) + hiss(2, 2, rate_hz)).T, rate_hz)
    plan = Chain(default_chain()).plan(take, silence)
    assert not any(one.is_identity for one in plan.plans)
    after = read_all(plan.before_gain)
    quiet = slice(rate_hz // 4, rate_hz)
    fall_db = 10 * np.log10(np.mean(take.samples[:, quiet] ** 2) / np.mean(after[:, quiet] ** 2))
    assert fall_db > 12
    assert after.shape == take.samples.shape


@pytest.mark.parametrize("rate_hz", [1, 1000, 7999, 384_001, 768_000, 2**31 - 1])
def test_fault_12_rates_that_cannot_be_worked_on(takes: Path, call: Call, rate_hz: int) -> None:
    data = riff(fmt(rate_hz=rate_hz), chunk(b"data", bytes(3000)))
    data = data[:28] + (0).to_bytes(4, "little") + data[32:]  # bytes a second do not fit either
    (takes / "x.wav").write_bytes(data)
    told = call("clean", "x.wav", "--silence", "silence.wav", *OUT)
    assert told.code == 3
    assert "8 kHz to 384 kHz" in told.err


def test_fault_13_a_silence_of_another_rate(takes: Path, call: Call) -> None:
    soundfile.write(takes / "s.wav", hiss(3, 2, 44_100), 44_100)
    told = call("clean", "take.wav", "--silence", "s.wav", *OUT)
    assert told.code == 4
    assert "44100 Hz" in told.err
    assert "16000" in told.err


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_fault_14_the_sample_format_stays(takes: Path, call: Call, subtype: str) -> None:
    soundfile.write(takes / "x.wav", notes(2) + hiss(2), RATE_HZ, subtype=subtype)
    assert call("clean", "x.wav", "--silence", "silence.wav", *OUT, "high-pass").code == 0
    assert soundfile.info(takes / "out.wav").subtype == subtype


@pytest.mark.parametrize("subtype", ["ALAW", "ULAW", "IMA_ADPCM"])
def test_fault_14_a_lossy_format_is_refused(takes: Path, call: Call, subtype: str) -> None:
    soundfile.write(takes / "x.wav", notes(2), RATE_HZ, subtype=subtype)
    told = call("clean", "x.wav", "--silence", "silence.wav", *OUT)
    assert told.code == 3
    assert "Convert it" in told.err


def test_fault_29_a_take_that_changes_while_it_is_read(takes: Path) -> None:
    from cleanchain.errors import InputError

    take = open_source(takes / "take.wav")
    blocks = take.blocks(1000)
    next(blocks)
    with (takes / "take.wav").open("r+b") as file:
        file.seek(60_000)
        file.write(b"\1\2\3")
    with pytest.raises(InputError, match="was changed while it was being read"):
        list(blocks)
    with pytest.raises(InputError, match="was changed while it was being read"):
        take.read(0, 10)


def test_fault_42_the_hash_is_of_samples(tmp_path: Path, call: Call) -> None:
    """The library stamps the second of writing into a float WAV; the samples are the same."""
    for name, second in (("a.wav", 1), ("b.wav", 2)):
        soundfile.write(tmp_path / name, hiss(1), RATE_HZ, subtype="FLOAT")
        data = bytearray((tmp_path / name).read_bytes())
        at = data.index(b"PEAK") + 12
        data[at : at + 4] = second.to_bytes(4, "little")
        (tmp_path / name).write_bytes(data)
    assert (tmp_path / "a.wav").read_bytes() != (tmp_path / "b.wav").read_bytes()
    hashes = {
        json.loads(call("inspect", name, "--json").out)["sample_hash"]
        for name in ("a.wav", "b.wav")
    }
    assert len(hashes) == 1
