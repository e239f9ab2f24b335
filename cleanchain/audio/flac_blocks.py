"""The metadata of a FLAC file, carried over byte for byte (RFC 9639, section 8)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from cleanchain.audio.chunks import read_at

_STREAM_INFO, _PADDING, _SEEK_TABLE, _COMMENT = 0, 1, 3, 4
#: Written anew, pointless, or about the place of bytes that move.
_NOT_CARRIED = (_STREAM_INFO, _PADDING, _SEEK_TABLE)
_MOST_BLOCKS = 1024
_COPY_BYTES = 1 << 20


@dataclass(frozen=True)
class Block:
    """One metadata block.

    Parameters
    ----------
    kind : int
        Its type.
    start, size : int
        Offset and bytes of its content.
    """

    kind: int
    start: int
    size: int


def read_blocks(file: BinaryIO) -> tuple[list[Block], int]:
    """Return the metadata blocks of a FLAC file and the offset of its first frame.

    Nothing is returned, and offset 0, where the file does not begin like one.
    """
    at = _skip_tag(file)
    if read_at(file, at, 4) != b"fLaC":
        return [], 0
    at += 4
    blocks: list[Block] = []
    while len(blocks) < _MOST_BLOCKS:
        header = read_at(file, at, 4)
        if len(header) < 4:
            break
        size = struct.unpack(">I", b"\0" + header[1:])[0]
        blocks.append(Block(header[0] & 0x7F, at + 4, size))
        at += 4 + size
        if header[0] & 0x80:
            break
    return blocks, at


def with_metadata_of(source: BinaryIO, written: BinaryIO) -> Iterator[bytes]:
    """Yield a written FLAC file with the metadata of another in place of its own.

    Parameters
    ----------
    source : binary file
        The take.
    written : binary file
        The same format with other samples, as the library wrote it.
    """
    carried = [block for block in read_blocks(source)[0] if block.kind not in _NOT_CARRIED]
    own, frames_at = read_blocks(written)
    kept = [(written, block) for block in own if block.kind == _STREAM_INFO]
    if not any(block.kind == _COMMENT for block in carried):
        kept += [(written, block) for block in own if block.kind == _COMMENT]
    kept += [(source, block) for block in carried]
    yield b"fLaC"
    for number, (file, block) in enumerate(kept, 1):
        last = 0x80 if number == len(kept) else 0
        yield bytes([block.kind | last]) + struct.pack(">I", block.size)[1:]
        yield read_at(file, block.start, block.size)
    written.seek(frames_at)
    while some := written.read(_COPY_BYTES):
        yield some


def _skip_tag(file: BinaryIO) -> int:
    """Return the offset after a tag of another kind that some programs put in front."""
    head = read_at(file, 0, 10)
    if head[:3] != b"ID3" or len(head) < 10:
        return 0
    size = 0
    for byte in head[6:10]:
        size = size << 7 | (byte & 0x7F)
    return 10 + size
