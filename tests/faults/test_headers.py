"""Files larger than 4 GiB, of other containers, with headers that lie, cut, damaged, not audio."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from cleanchain.audio.carrying import build_frame, emit
from cleanchain.audio.chunks import walk
from cleanchain.audio.files import open_source
from cleanchain.audio.header import find_payload
from cleanchain.audio.source import read_all
from cleanchain.audio.writing import write_source
from cleanchain.errors import InputError
from tests.audio.waves import bext, chunk, fmt, make, rf64, riff, steps

Call = Callable[..., Any]
SAMPLES = steps(4800)
DATA = chunk(b"data", SAMPLES.tobytes())
CUE = chunk(b"cue ", struct.pack("<IIIIIII", 1, 1, 480, 0x61746164, 0, 0, 480))
LIST = chunk(b"LIST", b"INFO" + chunk(b"INAM", b"harp\0"))
GIB = 1 << 30


def sparse(path: Path, head: bytes, data_bytes: int, tail: bytes = b"") -> Path:
    """A file whose samples are a hole in the disk."""
    with path.open("wb") as file:
        file.write(head)
        file.seek(data_bytes, os.SEEK_CUR)
        file.write(tail)
        file.truncate()
    return path


def huge(container: str, data_bytes: int, tail: bytes = b"") -> tuple[bytes, bytes]:
    """Head and tail around 24-bit mono samples at 48 kHz."""
    frames = data_bytes // 3
    form = fmt(1, 24)
    end = bytes.fromhex("f3acd3118cd100c04f8edb8a")
    if container in ("RF64", "BW64"):
        body = 4 + 36 + len(form) + 8 + data_bytes + len(tail)
        sizes = chunk(b"ds64", struct.pack("<QQQI", body, data_bytes, frames, 0))
        name = container.encode()
        return name + b"\xff" * 4 + b"WAVE" + sizes + form + b"data" + b"\xff" * 4, tail
    if container == "W64":
        riff_name = bytes.fromhex("726966662e91cf11a5d628db04c10000")
        whole = 40 + 40 + 24 + data_bytes
        head = riff_name + struct.pack("<Q", whole) + b"wave" + end
        head += b"fmt " + end + struct.pack("<Q", 40) + form[8:24]
        return head + b"data" + end + struct.pack("<Q", 24 + data_bytes), b""
    head = b"caff\0\1\0\0desc" + struct.pack(">Qd4sIIIII", 32, 48000.0, b"lpcm", 0, 3, 1, 1, 24)
    return head + b"data" + struct.pack(">Qi", 4 + data_bytes, 0), b""


@pytest.mark.parametrize("container", ["RF64", "BW64", "W64", "CAF"])
def test_fault_15_more_than_four_gib_are_counted_right(tmp_path: Path, container: str) -> None:
    data_bytes = 5 * GIB // 6 * 6
    head, tail = huge(container, data_bytes, b"" if container in ("W64", "CAF") else LIST)
    ending = {"W64": ".w64", "CAF": ".caf"}.get(container, ".wav")
    take = open_source(sparse(tmp_path / f"x{ending}", head, data_bytes, tail))
    assert take.container == container
    assert take.frames == data_bytes // 3
    assert not take.read(take.frames - 1000, take.frames).any()
    assert take.read(take.frames - 1000, take.frames).shape == (1, 1000)


def test_fault_15_a_wav_whose_result_passes_four_gib_becomes_rf64(tmp_path: Path) -> None:
    """A line of coding history is what takes it over."""
    content = bext(7, version=1)
    data_bytes = ((1 << 32) - 1000) // 6 * 6
    body = 4 + len(chunk(b"bext", content)) + 24 + 8 + data_bytes
    head = b"RIFF" + struct.pack("<I", body) + b"WAVE" + chunk(b"bext", content) + fmt(1, 24)
    path = sparse(tmp_path / "x.wav", head + b"data" + struct.pack("<I", data_bytes), data_bytes)
    assert open_source(path).frames == data_bytes // 3
    with path.open("rb") as file:
        layout = walk(file)
        assert layout is not None
        payload = find_payload(file, layout)
        assert payload is not None
        short = build_frame(file, payload, data_bytes // 3, data_bytes, "T=short")
        assert b"".join(emit(file, short.before))[:4] == b"RIFF"
        long = build_frame(file, payload, data_bytes // 3, data_bytes, "T=" + "long " * 200)
        before = b"".join(emit(file, long.before))
    assert before[:16] == b"RF64\xff\xff\xff\xffWAVEds64"
    whole, data, frames = struct.unpack_from("<QQQ", before, 20)
    assert (data, frames) == (data_bytes, data_bytes // 3)
    assert whole == len(before) - 8 + data_bytes
    again = sparse(tmp_path / "y.wav", before, data_bytes)
    assert open_source(again).frames == data_bytes // 3
    assert open_source(again).container == "RF64"


@pytest.mark.parametrize("name", [b"RF64", b"BW64"])
@pytest.mark.parametrize("size", [b"\xff" * 4, struct.pack("<I", 9600)])
def test_fault_16_sizes_in_a_table(tmp_path: Path, name: bytes, size: bytes) -> None:
    """A size of -1 stands for the table's; other chunks are carried, and so is the container."""
    data = rf64(
        fmt(), CUE, b"data" + size + SAMPLES.tobytes(), LIST,
        data_bytes=9600, frames=4800, name=name,
    )  # fmt: skip
    (tmp_path / "x.wav").write_bytes(data)
    take = open_source(tmp_path / "x.wav")
    assert take.frames == 4800
    assert np.array_equal(read_all(take)[0] * 2**15, SAMPLES)
    write_source(tmp_path / "y.wav", take, take)
    written = (tmp_path / "y.wav").read_bytes()
    assert written[:4] == name
    assert CUE in written
    assert LIST in written


def test_fault_16_a_table_with_rows_of_its_own(tmp_path: Path) -> None:
    table = struct.pack("<QQQI4sQ", 0, 9600, 4800, 1, b"LIST", len(LIST) - 8)
    body = b"WAVE" + chunk(b"ds64", table) + fmt() + b"data" + b"\xff" * 4 + SAMPLES.tobytes()
    body += b"LIST" + b"\xff" * 4 + LIST[8:] + CUE
    data = bytearray(b"RF64" + b"\xff" * 4 + body)
    struct.pack_into("<Q", data, 20, len(data) - 8)
    (tmp_path / "x.wav").write_bytes(bytes(data))
    take = open_source(tmp_path / "x.wav")
    assert take.frames == 4800
    assert take.payload is not None
    assert [one.label for one in take.payload.layout.chunks] == [
        "ds64",
        "fmt",
        "data",
        "LIST",
        "cue",
    ]
    write_source(tmp_path / "y.wav", take, take)
    assert (tmp_path / "y.wav").read_bytes().endswith(CUE)


@pytest.mark.parametrize("container", ["W64", "RF64"])
def test_fault_16_other_large_containers_come_back_as_they_are(
    tmp_path: Path, container: str
) -> None:
    ending = ".w64" if container == "W64" else ".wav"
    take = open_source(make(tmp_path / f"x{ending}", container, "PCM_24"))
    write_source(tmp_path / f"y{ending}", take, take)
    assert open_source(tmp_path / f"y{ending}").container == container


def test_fault_18_chunks_that_the_header_counts_as_audio(takes: Path, call: Call) -> None:
    body = SAMPLES.tobytes() + CUE + LIST
    (takes / "x.wav").write_bytes(riff(fmt(rate_hz=16_000), chunk(b"data", body)))
    words = ("clean", "x.wav", "--silence", "silence.wav", "--out", "out.wav")
    told = call(*words, "high-pass")
    assert told.code == 3
    assert "counts chunks behind the audio (cue, LIST) as 31 frames of audio" in told.err
    assert not (takes / "out.wav").exists()
    assert call(*words, "--salvage", "high-pass").code == 0
    assert open_source(takes / "out.wav").frames == 4800


@pytest.mark.parametrize(
    ("stated", "kept", "told"),
    [
        (9600, 5000, "0.14 s of it are missing"),
        (0, 9600, "does not say how long it is"),
        (0xFFFFFFFF, 9600, "does not say how long it is"),
    ],
)
def test_fault_19_cut_off_or_never_finished(
    takes: Path, call: Call, stated: int, kept: int, told: str
) -> None:
    content = SAMPLES.tobytes()[:kept]
    data = riff(fmt(rate_hz=16_000), b"data" + struct.pack("<I", stated) + content)
    (takes / "x.wav").write_bytes(data)
    words = ("clean", "x.wav", "--silence", "silence.wav", "--out", "out.wav")
    refused = call(*words, "high-pass")
    assert refused.code == 3
    assert told in refused.err
    assert "--salvage" in refused.err
    assert not (takes / "out.wav").exists()
    salvaged = call(*words, "--salvage", "high-pass")
    assert salvaged.code == 0
    assert told in salvaged.err
    assert soundfile.info(takes / "out.wav").frames == kept // 2


def flac(folder: Path, frames: int = 60_000) -> bytes:
    make(folder / "whole.flac", "FLAC", frames=frames, channels=1)
    return (folder / "whole.flac").read_bytes()


def test_fault_20_a_flac_that_is_cut(takes: Path, call: Call) -> None:
    data = flac(takes)
    (takes / "x.flac").write_bytes(data[: len(data) * 2 // 3])
    words = ("clean", "x.flac", "--silence", "0:00-0:00.6", "--out", "out.flac")
    told = call(*words, "high-pass")
    assert told.code == 3
    assert "cut off or damaged" in told.err
    told = call(*words, "--salvage", "high-pass")
    assert told.code == 0
    assert "frames are lost" in told.err
    there = soundfile.info(takes / "out.flac").frames
    assert 30_000 < there < 45_000


def test_fault_20_a_flac_that_promises_what_cannot_be(takes: Path, call: Call) -> None:
    """36 bits of a length: the largest is a fortnight, and none of it is there."""
    data = bytearray(flac(takes))
    data[21] |= 0x0F
    data[22:26] = b"\xff" * 4
    (takes / "x.flac").write_bytes(bytes(data))
    told = call("clean", "x.flac", "--silence", "0:00-0:00.6", "--out", "out.flac", "high-pass")
    assert told.code == 3
    data[21] &= 0xF0
    data[22:26] = bytes(4)  # a length that nobody knew
    (takes / "y.flac").write_bytes(bytes(data))
    told = call("clean", "y.flac", "--silence", "0:00-0:00.6", "--out", "out.flac", "high-pass")
    assert told.code == 3


@pytest.mark.parametrize("where", [0.2, 0.5, 0.9])
def test_fault_21_a_flipped_byte_in_a_flac(takes: Path, call: Call, where: float) -> None:
    data = bytearray(flac(takes, 200_000))
    data[int(where * len(data))] ^= 0x55
    (takes / "x.flac").write_bytes(bytes(data))
    told = call("clean", "x.flac", "--silence", "0:00-0:00.6", "--out", "out.flac", "high-pass")
    assert told.code == 3
    assert "decoded near" in told.err or "header promises" in told.err
    assert not (takes / "out.flac").exists()


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (riff(fmt(channels=0), DATA), ""),
        (riff(fmt(rate_hz=0), DATA), "0 Hz"),
        (riff(fmt(bits=24, block=2), DATA), "contradicts itself"),
        (riff(fmt(), chunk(b"JUNK", b"abc", stated=0xFFFFFFFF), DATA), "without samples"),
        (riff(fmt()), "without samples"),
        (riff(DATA), ""),
    ],
)
def test_fault_22_headers_that_contradict_themselves(
    takes: Path, call: Call, data: bytes, told: str
) -> None:
    (takes / "x.wav").write_bytes(data)
    refused = call("clean", "x.wav", "--silence", "silence.wav", "--out", "out.wav")
    assert refused.code == 3
    assert told in refused.err


def test_fault_22_lists_in_lists_are_carried_unread(takes: Path, call: Call) -> None:
    nested = b"deep"
    for _ in range(2000):
        nested = b"LIST" + struct.pack("<I", len(nested) + 4) + b"INFO" + nested
    (takes / "x.wav").write_bytes(riff(fmt(rate_hz=16_000), nested, DATA))
    words = ("clean", "x.wav", "--silence", "silence.wav", "--out", "out.wav", "high-pass")
    assert call(*words).code == 0
    assert nested in (takes / "out.wav").read_bytes()


@pytest.mark.parametrize("kind", ["text", "empty", "folder", "fifo", "device", "socket", "binary"])
def test_fault_23_what_is_no_sound_file(takes: Path, call: Call, kind: str) -> None:
    path = takes / "x.wav"
    if kind == "folder":
        path.mkdir()
    elif kind == "fifo":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "socket":
        import socket

        with socket.socket(socket.AF_UNIX) as bound:
            os.chdir(takes)  # such a name may not be long
            bound.bind("x.wav")
    else:
        path.write_bytes({"text": b"harp", "empty": b"", "binary": bytes(range(256)) * 9}[kind])
    told = call("clean", "x.wav", "--silence", "silence.wav", "--out", "out.wav")
    assert told.code == 3
    assert "x.wav: " in told.err
    told = call("clean", "take.wav", "--silence", "x.wav", "--out", "out.wav")
    assert told.code == 3
    for name in ("inspect", "replay"):
        assert call(name, "x.wav").code == 3
    assert not (takes / "out.wav").exists()


def test_fault_23_a_file_that_is_not_there(takes: Path, call: Call) -> None:
    assert "no such file" in call("clean", "none.wav").err
    with pytest.raises(InputError, match="cannot be opened"):
        open_source(Path("a\0b.wav"))


def test_fault_17_clean_says_in_the_coding_history_what_it_did(takes: Path, call: Call) -> None:
    """Read by a reader that is not ours: the same moment, and one line more (EBU R 98)."""
    from wavinfo import WavInfoReader

    old = b"A=ANALOGUE,M=mono,T=an invented preamplifier\r\n"
    content = bext(7_200 * 16_000 + 123, old)
    samples = steps(40_000)
    (takes / "x.wav").write_bytes(
        riff(LIST, fmt(rate_hz=16_000), chunk(b"bext", content), chunk(b"data", samples.tobytes()))
    )
    words = ("clean", "x.wav", "--silence", "silence.wav", "--out", "out.wav")
    assert call(*words, "high-pass", "gate", "--depth", "0dB", "loudness").code == 0
    found = WavInfoReader(str(takes / "out.wav"))
    assert found.bext.time_reference == 7_200 * 16_000 + 123
    assert found.data.frame_count == 40_000
    assert found.info.title == "harp"
    lines = found.bext.coding_history.rstrip("\0").split("\r\n")
    assert lines[0] + "\r\n" == old.decode()
    assert lines[1].startswith("A=PCM,F=16000,W=16,M=mono,T=cleanchain ")
    assert lines[1].endswith(" high-pass; loudness")  # a gate that is off did nothing
    assert lines[2:] == [""]
