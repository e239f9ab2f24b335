"""Containers made of chunks: where each chunk lies, without believing any size it states.

One walker reads the five relatives: RIFF (and its big-endian twin), RF64 and BW64 (EBU Tech 3306,
ITU-R BS.2088), AIFF and AIFF-C, W64, and CAF, all from memory of their specifications. It reads
headers only, never the content of a chunk other than the table of 64-bit sizes, so that neither
its time nor its memory depends on what a header says.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from typing import BinaryIO

#: Most chunks that are told apart; what follows is carried in one piece.
MOST_CHUNKS = 4096
#: A 32-bit size that stands for "see the 64-bit table", or for a length that nobody knew.
UNKNOWN_32 = 0xFFFFFFFF
_W64_RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")
_W64_WAVE = bytes.fromhex("77617665f3acd3118cd100c04f8edb8a")
_W64_END = _W64_WAVE[4:]


@dataclass(frozen=True)
class Grammar:
    """How one container writes its chunks.

    Parameters
    ----------
    order : {"<", ">"}
        Byte order of its sizes.
    size_format : str
        Of `struct`, for the size of a chunk.
    head_bytes : int
        Bytes before the first chunk.
    align : int
        A chunk starts at a multiple of this, counted from the file's start; 1 for no padding.
    guid : bool
        Names have 16 bytes instead of 4, and sizes count the chunk's own header.
    data_name : bytes
        Name of the chunk that holds the samples.
    """

    order: str
    size_format: str
    head_bytes: int
    align: int
    guid: bool = False
    data_name: bytes = b"data"

    @property
    def name_bytes(self) -> int:
        """Bytes of a name."""
        return 16 if self.guid else 4

    @property
    def header_bytes(self) -> int:
        """Bytes of a chunk's header."""
        return self.name_bytes + struct.calcsize(self.size_format)

    def header(self, name: bytes, size: int) -> bytes:
        """Return the header of a chunk with that many bytes of content."""
        stated = size + self.header_bytes if self.guid else size
        return name + struct.pack(self.order + self.size_format, stated)

    def padding(self, size: int) -> bytes:
        """Return the bytes that follow a content of this size, where it starts aligned."""
        return b"\0" * (-size % self.align)


GRAMMARS = {
    "WAV": Grammar("<", "I", 12, 2),
    "RIFX": Grammar(">", "I", 12, 2),
    "RF64": Grammar("<", "I", 12, 2),
    "BW64": Grammar("<", "I", 12, 2),
    "AIFF": Grammar(">", "I", 12, 2, data_name=b"SSND"),
    "AIFC": Grammar(">", "I", 12, 2, data_name=b"SSND"),
    "W64": Grammar("<", "Q", 40, 8, guid=True),
    "CAF": Grammar(">", "Q", 8, 1),
}
_MAGIC = {
    (b"RIFF", b"WAVE"): "WAV", (b"RIFX", b"WAVE"): "RIFX", (b"RF64", b"WAVE"): "RF64",
    (b"BW64", b"WAVE"): "BW64", (b"FORM", b"AIFF"): "AIFF", (b"FORM", b"AIFC"): "AIFC",
}  # fmt: skip


@dataclass(frozen=True)
class Chunk:
    """One chunk.

    Parameters
    ----------
    name : bytes
        Four characters, also for containers that write longer names.
    raw_name : bytes
        The name as it stands in the file.
    start : int
        Offset of its content in the file.
    promised : int
        Bytes that its header states; -1 where it states none.
    size : int
        Bytes of its content that the file holds.
    """

    name: bytes
    raw_name: bytes
    start: int
    promised: int
    size: int

    @property
    def stop(self) -> int:
        """Offset of the byte after its content."""
        return self.start + self.size

    @property
    def label(self) -> str:
        """The name, for messages."""
        return self.name.decode("ascii", "replace").strip()


@dataclass(frozen=True)
class Layout:
    """Where everything lies in a container.

    Parameters
    ----------
    kind : str
        A key of `GRAMMARS`.
    file_bytes : int
        Size of the file.
    promised_bytes : int
        Size that its first header states; -1 where it states none.
    chunks : tuple of Chunk
        In the order of the file.
    tail_start : int
        From here to the file's end there is nothing that looks like a chunk.
    """

    kind: str
    file_bytes: int
    promised_bytes: int
    chunks: tuple[Chunk, ...]
    tail_start: int

    @property
    def grammar(self) -> Grammar:
        """How this container writes its chunks."""
        return GRAMMARS[self.kind]

    @property
    def data_index(self) -> int | None:
        """Number of the chunk that holds the samples."""
        wanted = self.grammar.data_name
        return next((i for i, chunk in enumerate(self.chunks) if chunk.name == wanted), None)

    def find(self, name: bytes) -> Chunk | None:
        """Return the first chunk of that name."""
        return next((chunk for chunk in self.chunks if chunk.name == name), None)


def walk(file: BinaryIO) -> Layout | None:
    """Find the chunks of a container.

    Parameters
    ----------
    file : binary file
        Open for reading and able to seek; its position is moved.

    Returns
    -------
    Layout or None
        None where the file is none of these containers.
    """
    file_bytes = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(40)
    kind = _kind(head)
    if kind is None:
        return None
    grammar = GRAMMARS[kind]
    promised = _promised(head, kind, grammar)
    chunks, tail = walk_from(file, kind, grammar.head_bytes, file_bytes)
    sizes = next((chunk for chunk in chunks if chunk.name == b"ds64"), None)
    if sizes is not None and sizes.size >= 8 and kind in ("RF64", "BW64"):
        promised = struct.unpack("<Q", read_at(file, sizes.start, 8))[0] + 8
    return Layout(kind, file_bytes, promised, tuple(chunks), tail)


def read_at(file: BinaryIO, start: int, size: int) -> bytes:
    """Return up to `size` bytes from an offset."""
    file.seek(start)
    return file.read(size)


def walk_from(
    file: BinaryIO, kind: str, at: int, file_bytes: int, most: int = MOST_CHUNKS
) -> tuple[list[Chunk], int]:
    """Find up to `most` chunks from an offset on; return them and where they end."""
    grammar = GRAMMARS[kind]
    chunks: list[Chunk] = []
    large: dict[bytes, int] = {}
    while at + grammar.header_bytes <= file_bytes and len(chunks) < most:
        header = read_at(file, at, grammar.header_bytes)
        if not _is_header(header, grammar):
            # Some writers forget the padding after an odd size.
            if not (chunks and chunks[-1].stop == at - 1 and grammar.align == 2):
                break
            header = read_at(file, at - 1, grammar.header_bytes)
            if not _is_header(header, grammar):
                break
            at -= 1
        chunk = _chunk(header, at, grammar, file_bytes, large)
        if chunk.name == grammar.data_name and _goes_on(file, chunk, grammar, file_bytes):
            chunk = Chunk(
                chunk.name, chunk.raw_name, chunk.start, chunk.promised, file_bytes - chunk.start
            )
        chunks.append(chunk)
        if chunk.name == b"ds64" and kind in ("RF64", "BW64"):
            large = _large_sizes(read_at(file, chunk.start, min(chunk.size, 1 << 14)))
        at = chunk.stop + (-chunk.size % grammar.align)
    return chunks, min(at, file_bytes)


def _kind(head: bytes) -> str | None:
    if head[:16] == _W64_RIFF and head[24:40] == _W64_WAVE:
        return "W64"
    if head[:4] == b"caff" and len(head) >= 8:
        return "CAF"
    return _MAGIC.get((head[:4], head[8:12]))


def _promised(head: bytes, kind: str, grammar: Grammar) -> int:
    if kind == "CAF":
        return -1
    if kind == "W64":
        return int(struct.unpack_from("<Q", head, 16)[0])
    stated = int(struct.unpack_from(grammar.order + "I", head, 4)[0])
    return -1 if stated == UNKNOWN_32 else stated + 8


def _is_header(header: bytes, grammar: Grammar) -> bool:
    """Whether these bytes can be the header of a chunk."""
    if len(header) < grammar.header_bytes:
        return False
    if grammar.guid:
        return int(struct.unpack_from("<Q", header, 16)[0]) >= grammar.header_bytes
    return all(0x20 <= byte < 0x7F for byte in header[:4])


def _chunk(
    header: bytes, at: int, grammar: Grammar, file_bytes: int, large: dict[bytes, int]
) -> Chunk:
    raw_name = header[: grammar.name_bytes]
    name = raw_name[:4]
    if grammar.guid and raw_name[4:] != _W64_END and name == b"data":
        name = b"????"
    stated = int(struct.unpack_from(grammar.order + grammar.size_format, header, len(raw_name))[0])
    if grammar.guid:
        promised = stated - grammar.header_bytes
    elif stated == UNKNOWN_32 and grammar.size_format == "I":
        promised = large.get(name, -1)
    else:
        promised = -1 if stated == (1 << 64) - 1 else stated
    start = at + grammar.header_bytes
    there = max(file_bytes - start, 0)
    return Chunk(name, raw_name, start, promised, there if promised < 0 else min(promised, there))


def _goes_on(file: BinaryIO, chunk: Chunk, grammar: Grammar, file_bytes: int) -> bool:
    """Whether a data chunk that states nothing is followed by samples: nobody finished it."""
    if chunk.size > 0 or chunk.start >= file_bytes:
        return False
    return not _is_header(read_at(file, chunk.start, grammar.header_bytes), grammar)


def _large_sizes(content: bytes) -> dict[bytes, int]:
    """Return the 64-bit sizes that a ds64 chunk states, by the name of the chunk."""
    if len(content) < 28:
        return {}
    sizes = {b"data": int(struct.unpack_from("<Q", content, 8)[0])}
    rows = min(struct.unpack_from("<I", content, 24)[0], (len(content) - 28) // 12)
    for row in range(rows):
        name, size = struct.unpack_from("<4sQ", content, 28 + 12 * row)
        sizes[name] = int(size)
    return {name: size for name, size in sizes.items() if size < 1 << 63}
