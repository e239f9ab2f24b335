from __future__ import annotations

import io
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cleanchain.audio.capture import Capture
from cleanchain.audio.chunks import GRAMMARS, MOST_CHUNKS, walk
from cleanchain.audio.files import open_source
from cleanchain.audio.header import find_payload, read_format
from cleanchain.audio.source import read_all
from cleanchain.audio.writing import write_source
from cleanchain.errors import CleanchainError
from tests.audio.waves import (
    FORMATS,
    bext,
    chunk,
    fmt,
    make,
    rf64,
    riff,
    steps,
)  # fmt: skip

SAMPLES = steps(4800)
DATA = chunk(b"data", SAMPLES.tobytes())
CUE = chunk(b"cue ", struct.pack("<IIIIIII", 1, 1, 480, 0x61746164, 0, 0, 480))
IXML = chunk(b"iXML", b"<BWFXML><NOTE>invented</NOTE></BWFXML>x")  # an odd size
INFO = chunk(b"LIST", b"INFO" + chunk(b"INAM", b"harp\0") + chunk(b"ICMT", b"odd"))
ODD = chunk(b"zzZ9", bytes(range(255)))


def names(data: bytes) -> list[bytes]:
    layout = walk(io.BytesIO(data))
    assert layout is not None
    return [one.name for one in layout.chunks]


@pytest.mark.parametrize(("container", "ending", "subtype"), FORMATS)
def test_samples_are_found_where_the_library_finds_them(
    tmp_path: Path, container: str, ending: str, subtype: str
) -> None:
    path = make(tmp_path / f"a{ending}", container, subtype)
    with path.open("rb") as file:
        layout = walk(file)
        if container == "FLAC":
            assert layout is None
            return
        assert layout is not None
        payload = find_payload(file, layout)
    assert payload is not None
    assert payload.size == payload.promised == 5000 * open_source(path).frame_bytes
    assert payload.layout.file_bytes == path.stat().st_size


def test_chunks_are_told_apart_before_and_after_the_samples() -> None:
    found = names(riff(INFO, ODD, fmt(), DATA, IXML, CUE))
    assert found == [b"LIST", b"zzZ9", b"fmt ", b"data", b"iXML", b"cue "]


def test_a_forgotten_padding_byte_is_seen() -> None:
    bare = b"LIST" + struct.pack("<I", 5) + b"INFOx"
    assert names(riff(fmt(), bare, DATA)) == [b"fmt ", b"LIST", b"data"]


def test_a_million_empty_chunks_are_not_told_apart() -> None:
    layout = walk(io.BytesIO(riff(fmt(), chunk(b"JUNK", b"") * 200_000)))
    assert layout is not None
    assert len(layout.chunks) == MOST_CHUNKS
    assert layout.tail_start < layout.file_bytes


def test_a_size_of_all_ones_takes_what_is_there_and_no_more() -> None:
    layout = walk(io.BytesIO(riff(fmt(), chunk(b"JUNK", b"abc", stated=0xFFFFFFFF))))
    assert layout is not None
    assert layout.chunks[-1].promised == -1
    assert layout.chunks[-1].stop == layout.file_bytes


WITH_CHUNKS = [
    riff(fmt(), chunk(b"bext", bext(123_456_789)), DATA, IXML, CUE),
    riff(INFO, ODD, fmt(), DATA),
    riff(fmt(), DATA, INFO, ODD, CUE),
    rf64(fmt(), ODD, DATA, CUE, data_bytes=9600, frames=4800),
    rf64(fmt(), b"data" + b"\xff" * 4 + SAMPLES.tobytes(), CUE, data_bytes=9600, frames=4800),
    rf64(fmt(), DATA, CUE, IXML, data_bytes=9600, frames=4800, name=b"BW64"),
]


def others(data: bytes) -> list[tuple[bytes, bytes]]:
    """Every chunk but the samples, their sizes, and the broadcast chunk, which gains a line."""
    layout = walk(io.BytesIO(data))
    assert layout is not None
    kept = [one for one in layout.chunks if one.name not in (b"data", b"ds64", b"bext")]
    return [(one.name, data[one.start : one.stop]) for one in kept]


@pytest.mark.parametrize("data", WITH_CHUNKS)
@pytest.mark.parametrize("exact", [True, False])
def test_fault_17_chunks_come_through_byte_for_byte(
    tmp_path: Path, data: bytes, exact: bool
) -> None:
    (tmp_path / "in.wav").write_bytes(data)
    take = open_source(tmp_path / "in.wav")
    quieter = take if exact else Capture(0.5 * read_all(take), take.rate_hz)
    write_source(tmp_path / "out.wav", quieter, take, exact=exact)
    written = (tmp_path / "out.wav").read_bytes()
    assert others(written) == others(data)
    assert open_source(tmp_path / "out.wav").container == take.container
    if exact:
        assert written == data
    elif b"bext" not in data:
        assert len(written) == len(data)


def test_fault_17_an_independent_reader_finds_the_broadcast_fields(tmp_path: Path) -> None:
    from wavinfo import WavInfoReader

    old = b"A=ANALOGUE,M=mono,T=an invented preamplifier\r\n"
    content = bext(5_000_000_123, old)
    (tmp_path / "in.wav").write_bytes(
        riff(fmt(rate_hz=48_000), chunk(b"bext", content), DATA, IXML, CUE, INFO)
    )
    take = open_source(tmp_path / "in.wav")
    changed = Capture(0.5 * read_all(take), 48_000)
    write_source(tmp_path / "out.wav", changed, take, history="high-pass, gate")
    info = WavInfoReader(str(tmp_path / "out.wav"))
    assert info.bext.time_reference == 5_000_000_123
    assert info.bext.description == "lap harp, invented"
    lines = info.bext.coding_history.rstrip("\0").split("\r\n")
    assert lines[0] == old.decode().strip()
    assert lines[1].startswith("A=PCM,F=48000,W=16,M=mono,T=cleanchain ")
    assert lines[1].endswith("high-pass; gate")
    assert lines[2:] == [""]
    assert info.info.title == "harp"
    assert len(info.cues.cues) == 1
    assert info.data.frame_count == 4800


def test_a_loudness_that_no_longer_holds_is_not_stated(tmp_path: Path) -> None:
    content = bytearray(bext(7, version=2))
    struct.pack_into("<5h", content, 412, -2300, 500, -100, -2200, -2250)
    (tmp_path / "in.wav").write_bytes(riff(fmt(), chunk(b"bext", bytes(content)), DATA))
    take = open_source(tmp_path / "in.wav")
    write_source(tmp_path / "out.wav", Capture(0.5 * read_all(take), 48_000), take)
    written = (tmp_path / "out.wav").read_bytes()
    at = written.index(b"bext") + 8
    assert struct.unpack_from("<5h", written, at + 412) == (0x7FFF,) * 5
    assert written[at : at + 412] == bytes(content[:412])


def test_peaks_of_the_old_samples_are_not_carried(tmp_path: Path) -> None:
    path = make(tmp_path / "in.wav", subtype="FLOAT")
    assert b"PEAK" in path.read_bytes()[:100]
    take = open_source(path)
    for name in ("one.wav", "two.wav"):
        write_source(tmp_path / name, Capture(0.5 * read_all(take), take.rate_hz), take)
    assert b"PEAK" not in (tmp_path / "one.wav").read_bytes()[:100]
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_a_channel_mask_stays(tmp_path: Path) -> None:
    """The library's own writer sets masks of its own; here the fmt chunk is the take's."""
    path = make(tmp_path / "in.wav", "WAVEX", channels=4)
    data = bytearray(path.read_bytes())
    struct.pack_into("<I", data, 40, 0x33)  # front and back pairs
    path.write_bytes(bytes(data))
    take = open_source(path)
    write_source(tmp_path / "out.wav", Capture(0.5 * read_all(take), take.rate_hz), take)
    assert (tmp_path / "out.wav").read_bytes()[:60] == bytes(data[:60])


@pytest.mark.parametrize(
    ("ending", "container"), [(".aiff", "AIFF"), (".caf", "CAF"), (".w64", "W64")]
)
def test_other_containers_keep_their_chunks_too(
    tmp_path: Path, ending: str, container: str
) -> None:
    path = make(tmp_path / f"in{ending}", container, "PCM_24", frames=5001, channels=1)
    more = {
        "AIFF": b"NAME" + struct.pack(">I", 5) + b"harp!\0",
        "CAF": b"info" + struct.pack(">Q", 4) + bytes(4),
        "W64": b"junk" + GRAMMAR_END + struct.pack("<Q", 24 + 8) + b"abcdefgh",
    }[container]
    data = bytearray(path.read_bytes())
    data += b"\0" * (-len(data) % {"AIFF": 2, "CAF": 1, "W64": 8}[container])
    data += more
    if container == "AIFF":
        struct.pack_into(">I", data, 4, len(data) - 8)
    if container == "W64":
        struct.pack_into("<Q", data, 16, len(data))
    path.write_bytes(bytes(data))
    take = open_source(path)
    out = tmp_path / f"out{ending}"
    write_source(out, Capture(0.5 * read_all(take), take.rate_hz), take)
    assert out.read_bytes().endswith(more)
    assert len(out.read_bytes()) == len(data)
    assert read_all(open_source(out)) == pytest.approx(0.5 * read_all(take), abs=2**-22)


GRAMMAR_END = bytes.fromhex("f3acd3118cd100c04f8edb8a")


@pytest.mark.parametrize(
    ("name", "container", "endian"),
    [("in.wav", "WAV", "BIG"), ("in.aiff", "AIFF", "LITTLE"), ("in.caf", "CAF", "LITTLE")],
)
def test_samples_keep_their_byte_order(
    tmp_path: Path, name: str, container: str, endian: str
) -> None:
    take = open_source(make(tmp_path / name, container, "PCM_16", endian=endian))
    out = tmp_path / f"out.{name}"
    write_source(out, Capture(0.5 * read_all(take), take.rate_hz), take)
    assert out.read_bytes()[:44] == (tmp_path / name).read_bytes()[:44]
    assert read_all(open_source(out)) == pytest.approx(0.5 * read_all(take), abs=2**-14)


def flac_block(kind: int, content: bytes) -> bytes:
    return bytes([kind]) + struct.pack(">I", len(content))[1:] + content


def test_comments_and_pictures_of_flac_are_carried(tmp_path: Path) -> None:
    path = make(tmp_path / "plain.flac", "FLAC")
    with soundfile.SoundFile(path) as file:
        assert file.frames == 5000
    data = path.read_bytes()
    vendor, remark = b"invented", "NOTE=läuft".encode()
    comment = struct.pack("<I", len(vendor)) + vendor + struct.pack("<II", 1, len(remark)) + remark
    mime = b"image/png"
    picture = struct.pack(">II", 3, len(mime)) + mime + struct.pack(">IIIIII", 0, 9, 9, 24, 0, 200)
    picture += bytes(range(200))
    info = data[4:42]
    rest = data[42:]
    size = struct.unpack(">I", b"\0" + rest[1:4])[0]
    frames = rest[4 + size :]
    blocks = bytes([info[0] & 0x7F]) + info[1:] + flac_block(4, comment)
    blocks += flac_block(2, b"hum1" + bytes(3)) + flac_block(0x80 | 6, picture)
    (tmp_path / "in.flac").write_bytes(b"fLaC" + blocks + frames)
    take = open_source(tmp_path / "in.flac")
    write_source(tmp_path / "out.flac", Capture(0.5 * read_all(take), take.rate_hz), take)
    written = (tmp_path / "out.flac").read_bytes()
    for block in (flac_block(4, comment), flac_block(2, b"hum1" + bytes(3)), picture):
        assert block in written
    assert open_source(tmp_path / "out.flac").frames == 5000


class Counted(io.BytesIO):
    """Bytes that count how often they are read."""

    reads = 0

    def read(self, size: int | None = -1) -> bytes:
        self.reads += 1
        return super().read(size)


def look(data: bytes) -> int:
    """All of our own code that reads headers; how many reads it took."""
    file = Counted(data)
    layout = walk(file)
    if layout is not None:
        assert all(0 <= one.start <= one.stop <= len(data) for one in layout.chunks)
        assert 0 <= layout.tail_start <= len(data)
        read_format(file, layout)
        find_payload(file, layout)
    return file.reads


SEEDS = [
    *WITH_CHUNKS,
    riff(fmt(), chunk(b"data", SAMPLES[:300].tobytes(), stated=700), CUE, IXML),
    bytes.fromhex("726966662e91cf11a5d628db04c10000") + bytes(8)
    + bytes.fromhex("77617665f3acd3118cd100c04f8edb8a") + b"fmt " + GRAMMAR_END
    + struct.pack("<QHHIIHH", 40, 1, 1, 48000, 96000, 2, 16) + b"data" + GRAMMAR_END
    + struct.pack("<Q", 24 + 100) + bytes(100),
    b"FORM" + struct.pack(">I", 100) + b"AIFCCOMM" + struct.pack(">Ihih", 24, 1, 50, 16)
    + bytes.fromhex("400eac44000000000000") + b"sowt\0\0SSND" + struct.pack(">III", 108, 0, 0)
    + bytes(100),
    b"caff\0\1\0\0desc" + struct.pack(">Qd4sIIIII", 32, 48000.0, b"lpcm", 2, 2, 1, 1, 16)
    + b"data" + struct.pack(">Qi", 104, 0) + bytes(100),
]  # fmt: skip
edits = st.lists(
    st.tuples(
        st.integers(0, 2000),
        st.one_of(
            st.binary(min_size=1, max_size=12),
            st.sampled_from([b"\xff" * 4, b"\xff" * 8, b"\0" * 8, b"data", b"LIST", b"ds64"]),
        ),
        st.booleans(),
    ),
    max_size=8,
)


def edited(seed: int, changes: list[tuple[int, bytes, bool]], cut: int) -> bytes:
    data = bytearray(SEEDS[seed % len(SEEDS)][:3000])
    for at, new, insert in changes:
        at %= max(len(data), 1)
        data[at : at if insert else at + len(new)] = new
    return bytes(data[: max(len(data) - cut, 0)])


@settings(max_examples=300, deadline=1000)
@given(st.integers(0, 100), edits, st.integers(0, 200))
def test_fault_22_headers_gone_wrong_neither_crash_nor_hang(
    seed: int, changes: list[tuple[int, bytes, bool]], cut: int
) -> None:
    look(edited(seed, changes, cut))


@settings(
    max_examples=120, deadline=1000, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.integers(0, 100), edits, st.integers(0, 200))
def test_fault_22_files_gone_wrong_are_read_or_refused(
    tmp_path: Path, seed: int, changes: list[tuple[int, bytes, bool]], cut: int
) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(edited(seed, changes, cut))
    for salvage in (False, True):
        try:
            source = open_source(path, salvage=salvage)
            assert read_all(source).shape == (source.channels, source.frames)
        except CleanchainError:
            pass


@pytest.mark.long
@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="asks Linux for its memory")
def test_fault_22_ten_thousand_headers() -> None:
    """No crash, none over a second, no allocation over 200 MB, the library's included."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.audio.fuzzing", "10000"], capture_output=True, text=True
    )
    print(done.stdout)
    assert done.returncode == 0, done.stderr


def test_fault_22_many_names_in_noise_do_not_slow_the_search() -> None:
    samples = np.random.default_rng(1).integers(0, 256, 1 << 20, dtype=np.uint8).tobytes()
    names_only = b"LIST\x10\0\0\0" * (1 << 17)
    for body in (samples, names_only):
        half = look(riff(fmt(), chunk(b"data", body[: len(body) // 2])))
        assert look(riff(fmt(), chunk(b"data", body))) < 2.2 * half + 10


def test_grammars_know_the_size_they_write() -> None:
    for grammar in GRAMMARS.values():
        header = grammar.header((b"abcd" * 4)[: grammar.name_bytes], 10)
        assert len(header) == grammar.header_bytes
