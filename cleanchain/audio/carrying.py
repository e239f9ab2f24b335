"""A container again, with other samples: every other chunk byte for byte, sizes put right.

Since frames, rate, channels and format stay, whatever a file says about its samples stays true,
except what was measured on them: peaks, envelopes and checksums are left out.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from cleanchain.audio.chunks import UNKNOWN_32, Chunk, read_at
from cleanchain.audio.header import Payload
from cleanchain.errors import OutputError

#: Chunks that hold what was measured on the samples: peaks, a drawn envelope, a checksum.
_MEASURED = (b"PEAK", b"peak", b"levl", b"MD5 ", b"ovvw")
#: Fixed bytes of a bext chunk, after which the coding history stands (EBU Tech 3285).
_BEXT_BYTES = 602
#: Where version 2 of bext holds five loudness values, and the value that means "not stated".
_BEXT_VERSION, _BEXT_LOUDNESS, _NOT_STATED = 346, 412, 0x7FFF
_LARGEST_BEXT = 1 << 24
_COPY_BYTES = 1 << 20
_LARGEST_32 = UNKNOWN_32 - 1


@dataclass(frozen=True)
class Frame:
    """The bytes around the samples of a file that is to be written.

    Parameters
    ----------
    before, after : tuple of (bytes or (int, int))
        Bytes as they are, or offset and length of a stretch of the source file.
    """

    before: tuple[bytes | tuple[int, int], ...]
    after: tuple[bytes | tuple[int, int], ...]


@dataclass(frozen=True)
class _Piece:
    """A chunk that is to be written: its content, or the stretch of the source that holds it."""

    name: bytes
    size: int
    content: bytes | tuple[int, int]


def build_frame(
    file: BinaryIO, payload: Payload, frames: int, data_bytes: int, history: str | None
) -> Frame:
    """Return what stands around the samples.

    Parameters
    ----------
    file : binary file
        The source.
    payload : Payload
        Of the source.
    frames, data_bytes : int
        Of the output.
    history : str or None
        Line for the coding history of a bext chunk; None where the samples do not change, so that
        what was measured on them stays too.

    Raises
    ------
    OutputError
        If the container cannot hold that much.
    """
    layout, grammar = payload.layout, payload.layout.grammar
    index = layout.data_index
    assert index is not None  # a payload has a data chunk
    data = layout.chunks[index]
    lead = (data.start, payload.start - data.start)
    kept = [
        (number, piece)
        for number, chunk in enumerate(layout.chunks)
        if number != index and (piece := _piece(file, payload, chunk, frames, history)) is not None
    ]
    data_size = lead[1] + data_bytes
    tail = (layout.tail_start, layout.file_bytes - layout.tail_start)

    def total(pieces: list[tuple[int, _Piece]]) -> int:
        sizes = [*(piece.size for _, piece in pieces), data_size]
        each = (grammar.header_bytes + size + len(grammar.padding(size)) for size in sizes)
        return grammar.head_bytes + sum(each)

    kind = layout.kind
    if kind == "WAV" and total(kept) > _LARGEST_32:
        kind = "RF64"
    if kind in ("RF64", "BW64") and not any(piece.name == b"ds64" for _, piece in kept):
        kept = [(-1, _Piece(b"ds64", 28, b"\0" * 28)), *kept]
    whole = total(kept)
    if kind in ("RIFX", "AIFF", "AIFC") and whole > _LARGEST_32:
        raise OutputError(f"{kind} cannot hold the {whole} bytes of this result")
    before: list[bytes | tuple[int, int]] = [_head(file, kind, whole)]
    after: list[bytes | tuple[int, int]] = []
    for number, piece in kept:
        side = before if number < index else after
        content = piece.content
        if piece.name == b"ds64":
            content = _sizes(file, content, whole - 8, data_bytes, frames)
        stated = piece.size if piece.size <= _LARGEST_32 or grammar.size_format != "I" else None
        side += [
            _header(payload, piece.name, stated), content, grammar.padding(piece.size)
        ]  # fmt: skip
    stated = None if kind in ("RF64", "BW64") else data_size
    before += [_header(payload, data.raw_name, stated), lead]
    padding = grammar.padding(data_size)
    return Frame(tuple(before), (padding, *after, tail))


def emit(file: BinaryIO, pieces: tuple[bytes | tuple[int, int], ...]) -> Iterator[bytes]:
    """Yield the bytes of one side of a frame, copying from the source a megabyte at a time."""
    for piece in pieces:
        if isinstance(piece, bytes):
            yield piece
            continue
        start, left = piece
        while left > 0:
            some = read_at(file, start, min(left, _COPY_BYTES))
            if not some:
                raise OutputError("the take was cut off while its chunks were being copied")
            yield some
            start, left = start + len(some), left - len(some)


def append_history(bext: bytes, line: str) -> bytes:
    """Add a line to the coding history of a bext chunk (EBU Tech 3285, EBU R 98).

    Loudness values of version 2 that were measured on the old samples become "not stated".
    """
    fixed, history = bytearray(bext[:_BEXT_BYTES]), bext[_BEXT_BYTES:].rstrip(b"\0")
    version = struct.unpack_from("<H", fixed, _BEXT_VERSION)[0]
    if version >= 2 and any(fixed[_BEXT_LOUDNESS : _BEXT_LOUDNESS + 10]):
        struct.pack_into("<5H", fixed, _BEXT_LOUDNESS, *[_NOT_STATED] * 5)
    if history and not history.endswith(b"\r\n"):
        history += b"\r\n"
    return bytes(fixed) + history + line.encode("ascii", "replace") + b"\r\n"


def _piece(
    file: BinaryIO, payload: Payload, chunk: Chunk, frames: int, history: str | None
) -> _Piece | None:
    name = chunk.raw_name
    if history is not None and chunk.name in _MEASURED:
        return None
    if chunk.name == b"bext" and history and _BEXT_BYTES <= chunk.size <= _LARGEST_BEXT:
        content = append_history(read_at(file, chunk.start, chunk.size), history)
        return _Piece(name, len(content), content)
    if chunk.name == b"ds64" and chunk.size < 28:
        return None
    if chunk.name == b"fact" and chunk.size == 4:
        content = struct.pack(payload.layout.grammar.order + "I", min(frames, UNKNOWN_32))
        return _Piece(name, 4, content)
    if chunk.name == b"COMM" and payload.layout.kind in ("AIFF", "AIFC") and chunk.size < 1 << 16:
        common = read_at(file, chunk.start, chunk.size)
        common = common[:2] + struct.pack(">I", frames) + common[6:]
        return _Piece(name, len(common), common)
    return _Piece(name, chunk.size, (chunk.start, chunk.size))


def _header(payload: Payload, name: bytes, size: int | None) -> bytes:
    """Return the header of a chunk; a size of None stands in the table of 64-bit sizes."""
    grammar = payload.layout.grammar
    if size is None:
        return name + struct.pack(grammar.order + "I", UNKNOWN_32)
    return grammar.header(name, size)


def _head(file: BinaryIO, kind: str, whole: int) -> bytes:
    """Return the bytes before the first chunk, for a file of that many bytes."""
    if kind == "CAF":
        return read_at(file, 0, 8)
    if kind == "W64":
        old = read_at(file, 0, 40)
        return old[:16] + struct.pack("<Q", whole) + old[24:]
    form = read_at(file, 8, 4)
    if kind in ("RF64", "BW64"):
        return kind.encode() + struct.pack("<I", UNKNOWN_32) + form
    if kind == "WAV":
        return b"RIFF" + struct.pack("<I", whole - 8) + form
    return (b"RIFX" if kind == "RIFX" else b"FORM") + struct.pack(">I", whole - 8) + form


def _sizes(
    file: BinaryIO, content: bytes | tuple[int, int], riff: int, data_bytes: int, frames: int
) -> bytes:
    """Return a ds64 chunk with the sizes of the output and the table it had."""
    old = content if isinstance(content, bytes) else read_at(file, *content)
    return struct.pack("<QQQ", riff, data_bytes, frames) + old[24:]
