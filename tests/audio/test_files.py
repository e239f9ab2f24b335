from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.audio.files import open_source
from cleanchain.audio.source import read_all
from cleanchain.audio.writing import write_source
from cleanchain.errors import InputError, OutputError, PathError
from tests.audio.waves import FORMATS


def make(path: Path, container: str = "WAV", subtype: str = "PCM_24", frames: int = 5000) -> Path:
    noise = 0.3 * np.random.default_rng(1).standard_normal((frames, 2)).clip(-3, 3)
    soundfile.write(path, noise, 44_100, subtype=subtype, format=container)
    return path


@pytest.mark.parametrize("way", ["as a file", "as samples"])
@pytest.mark.parametrize(("container", "ending", "subtype"), FORMATS)
def test_an_exact_copy_has_the_same_samples_bit_for_bit(
    tmp_path: Path, container: str, ending: str, subtype: str, way: str
) -> None:
    take = open_source(make(tmp_path / f"in{ending}", container, subtype))
    samples = take if way == "as a file" else Capture(read_all(take), take.rate_hz)
    write_source(tmp_path / f"out{ending}", samples, take, exact=True)
    copy = open_source(tmp_path / f"out{ending}")
    assert (copy.container, copy.subtype, copy.rate_hz) == (container, subtype, 44_100)
    stored = [np.concatenate(list(one.stored_blocks())) for one in (take, copy)]
    assert stored[0].dtype == stored[1].dtype
    assert stored[0].tobytes() == stored[1].tobytes()
    # The library sees the same in it as we do.
    dtype = take.dtype if take.bits is not None else "float64"
    seen = soundfile.read(tmp_path / f"out{ending}", dtype=dtype, always_2d=True)[0]
    assert np.array_equal(seen, soundfile.read(tmp_path / f"in{ending}", dtype=dtype)[0])


@pytest.mark.parametrize(("container", "ending", "subtype"), FORMATS)
def test_every_container_is_written_with_new_samples(
    tmp_path: Path, container: str, ending: str, subtype: str
) -> None:
    """Half as loud, within a step and a half of the format: rounding and triangular dither."""
    take = open_source(make(tmp_path / f"in{ending}", container, subtype))
    write_source(tmp_path / f"out{ending}", Capture(0.5 * read_all(take), take.rate_hz), take)
    out = open_source(tmp_path / f"out{ending}")
    assert (out.container, out.subtype, out.frames) == (container, subtype, take.frames)
    step = 2.0**-23 if take.bits is None else 2.0 ** (1 - take.bits)
    assert np.abs(read_all(out) - 0.5 * read_all(take)).max() <= 1.5 * step


def test_wav_and_flac_decode_alike(tmp_path: Path) -> None:
    take = open_source(make(tmp_path / "in.wav"))
    steps, rate_hz = soundfile.read(tmp_path / "in.wav", dtype="int32")
    soundfile.write(tmp_path / "in.flac", steps, rate_hz, subtype="PCM_24")
    flac = open_source(tmp_path / "in.flac")
    half = Capture(0.5 * read_all(take), take.rate_hz)
    write_source(tmp_path / "out.wav", half, take)
    write_source(tmp_path / "out.flac", half, flac)
    one, two = (soundfile.read(tmp_path / f"out.{x}")[0] for x in ("wav", "flac"))
    assert np.array_equal(one, two)


@pytest.mark.parametrize("level", [0.0, 0.25, 0.5])
def test_dither_makes_the_error_independent_of_the_level(tmp_path: Path, level: float) -> None:
    """Triangular dither: mean 0, variance a quarter step squared, whatever the level.

    Lipshitz, Wannamaker and Vanderkooy 1992, from memory.
    """
    take = open_source(make(tmp_path / "in.wav", subtype="PCM_16", frames=200_000))
    wanted = Capture(np.full((2, take.frames), (100 + level) / 2**15), take.rate_hz)
    write_source(tmp_path / "out.wav", wanted, take)
    error = (read_all(open_source(tmp_path / "out.wav")) - wanted.samples) * 2**15
    assert abs(error.mean()) < 5 * 0.5 / np.sqrt(error.size)
    assert error.var() == pytest.approx(0.25, rel=0.02)


def test_digital_silence_stays_digital_silence(tmp_path: Path) -> None:
    take = open_source(make(tmp_path / "in.wav"))
    quiet = read_all(take).copy()
    quiet[:, 1000:3000] = 0.0
    write_source(tmp_path / "out.wav", Capture(0.5 * quiet, 44_100), take)
    out = read_all(open_source(tmp_path / "out.wav"))
    assert not out[:, 1000:3000].any()


def test_the_order_of_channels_stays(tmp_path: Path) -> None:
    take = open_source(make(tmp_path / "in.wav"))
    write_source(tmp_path / "out.wav", Capture(0.5 * read_all(take)[::-1], 44_100), take)
    out = read_all(open_source(tmp_path / "out.wav"))
    assert out == pytest.approx(0.5 * read_all(take)[::-1], abs=2e-7)


def test_beyond_full_scale_is_refused_with_time_and_amount(tmp_path: Path) -> None:
    take = open_source(make(tmp_path / "in.wav"))
    loud = read_all(take).copy()
    loud[1, 4410] = 2.0
    with pytest.raises(OutputError, match=r"6\.0 dB at 0:00\.1"):
        write_source(tmp_path / "out.wav", Capture(loud, 44_100), take)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in.wav"]


def test_beyond_full_scale_is_kept_in_floats(tmp_path: Path) -> None:
    take = open_source(make(tmp_path / "in.wav", subtype="FLOAT"))
    write_source(tmp_path / "out.wav", Capture(4.0 * read_all(take), 44_100), take)
    assert np.array_equal(read_all(open_source(tmp_path / "out.wav")), 4.0 * read_all(take))


def test_a_full_disk_leaves_nothing_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = open_source(make(tmp_path / "in.wav"))

    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("cleanchain.audio.writing._verify", full)
    with pytest.raises(OutputError, match="disk is full"):
        write_source(tmp_path / "out.wav", take, take)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in.wav"]


def test_what_does_not_read_back_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = open_source(make(tmp_path / "in.wav"))
    make(tmp_path / "out.wav", frames=10)
    older = (tmp_path / "out.wav").read_bytes()
    monkeypatch.setattr("cleanchain.audio.writing._write_chunks", lambda *_: b"something else")
    with pytest.raises(OutputError, match="does not read back"):
        write_source(tmp_path / "out.wav", take, take, overwrite=True)
    assert (tmp_path / "out.wav").read_bytes() == older
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in.wav", "out.wav"]


@pytest.mark.parametrize("link", ["symlink", "hard link", "same"])
def test_the_source_is_never_overwritten(tmp_path: Path, link: str) -> None:
    take = open_source(make(tmp_path / "in.wav"))
    out = tmp_path / "out.wav"
    if link == "symlink":
        out.symlink_to("in.wav")
    elif link == "hard link":
        out.hardlink_to(tmp_path / "in.wav")
    else:
        out = tmp_path / "." / "in.wav"
    with pytest.raises(PathError, match="never overwritten"):
        write_source(out, take, take, overwrite=True)


def test_blocks_and_ranges_agree(tmp_path: Path) -> None:
    take = open_source(make(tmp_path / "in.flac", "FLAC"))
    whole = read_all(take)
    assert np.array_equal(np.concatenate(list(take.blocks(777)), axis=1), whole)
    assert np.array_equal(take.read(123, 4567), whole[:, 123:4567])


def test_a_flac_with_a_flipped_byte_is_refused(tmp_path: Path) -> None:
    path = make(tmp_path / "in.flac", "FLAC", frames=100_000)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(data)
    with pytest.raises(InputError, match=r"decoded|header promises"):
        read_all(open_source(path))


def test_a_fifo_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(InputError, match="not a regular file"):
        open_source(tmp_path / "pipe.wav")


@pytest.mark.parametrize(("rate", "channels"), [(4000, 1), (400_000, 1), (44_100, 65)])
def test_shapes_that_cannot_be_worked_on_are_refused(
    tmp_path: Path, rate: int, channels: int
) -> None:
    soundfile.write(tmp_path / "x.wav", np.zeros((100, channels)), rate)
    with pytest.raises(InputError, match="can be worked on"):
        open_source(tmp_path / "x.wav")


def test_a_law_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", np.zeros((100, 1)), 8000, subtype="ALAW")
    with pytest.raises(InputError, match="Convert it"):
        open_source(tmp_path / "x.wav")
