"""What a container's header says about its samples, held against what the file holds."""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from typing import BinaryIO

from cleanchain.audio.chunks import Chunk, Layout, read_at, walk_from

#: Chunks that programs write behind the samples, to be recognised where a header counts them in.
_TRAILING = (
    b"LIST", b"cue ", b"iXML", b"bext", b"id3 ", b"ID3 ", b"smpl", b"inst", b"fact", b"PEAK",
    b"_PMX", b"JUNK", b"junk", b"PAD ", b"axml", b"chna", b"acid", b"plst", b"levl", b"umid",
    b"MARK", b"COMT", b"INST", b"NAME", b"AUTH", b"ANNO", b"(c) ", b"APPL", b"info", b"mark",
    b"strg", b"uuid", b"free",
)  # fmt: skip
#: How far from the end of the samples such chunks are looked for.
_SEARCHED_BYTES = 1 << 20
#: Most places there that are looked at.
_MOST_PLACES = 200
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE


@dataclass(frozen=True)
class Format:
    """The sample format that a WAVE header states.

    Parameters
    ----------
    tag : int
        1 for integers, 3 for floats; that of the sub-format where the header is extensible.
    channels, rate_hz, frame_bytes, bits : int
        As stated.
    """

    tag: int
    channels: int
    rate_hz: int
    frame_bytes: int
    bits: int

    @property
    def subtype(self) -> str | None:
        """Its name in the sound library, None where it is none that is read here."""
        names = {
            (_PCM, 1): "PCM_U8", (_PCM, 2): "PCM_16", (_PCM, 3): "PCM_24", (_PCM, 4): "PCM_32",
            (_FLOAT, 4): "FLOAT", (_FLOAT, 8): "DOUBLE",
        }  # fmt: skip
        return names.get((self.tag, (self.bits + 7) // 8))


@dataclass(frozen=True)
class Payload:
    """Where the samples lie.

    Parameters
    ----------
    layout : Layout
        Of the whole file, as it really is.
    start, size : int
        Offset and bytes of the samples.
    order : {"<", ">"}
        Byte order of a sample.
    promised : int
        Bytes that the header states; -1 where it states none.
    swallowed : tuple of str
        Chunks behind the samples that the header counts as samples.
    """

    layout: Layout
    start: int
    size: int
    order: str
    promised: int
    swallowed: tuple[str, ...] = ()


def read_format(file: BinaryIO, layout: Layout) -> Format | None:
    """Return what the fmt chunk of a WAVE file states; None where there is none."""
    chunk = layout.find(b"fmt ")
    if chunk is None or chunk.size < 16 or layout.kind in ("AIFF", "AIFC", "CAF"):
        return None
    content = read_at(file, chunk.start, min(chunk.size, 40))
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from(
        layout.grammar.order + "HHIIHH", content
    )
    if tag == _EXTENSIBLE and len(content) >= 26:
        tag = struct.unpack_from(layout.grammar.order + "H", content, 24)[0]
    return Format(tag, channels, rate_hz, frame_bytes, bits)


def find_payload(file: BinaryIO, layout: Layout) -> Payload | None:
    """Find the samples, and chunks that the header passes off as samples.

    Returns
    -------
    Payload or None
        None where no chunk holds samples.
    """
    index = layout.data_index
    if index is None:
        return None
    data = layout.chunks[index]
    lead = _lead_bytes(file, layout, data)
    promised = data.promised - lead if data.promised >= 0 else -1
    swallowed: tuple[str, ...] = ()
    found = _swallowed(file, layout, data)
    if found is not None:
        at, more, tail = found
        swallowed = tuple(chunk.label for chunk in more)
        cut = replace(data, size=at - data.start)
        layout = replace(layout, chunks=(*layout.chunks[:index], cut, *more), tail_start=tail)
        data = cut
    size = max(data.size - lead, 0)
    return Payload(layout, data.start + lead, size, _order(file, layout), promised, swallowed)


def _lead_bytes(file: BinaryIO, layout: Layout, data: Chunk) -> int:
    """Return the bytes that stand before the samples inside their chunk."""
    if layout.kind in ("AIFF", "AIFC"):
        content = read_at(file, data.start, 4)
        return 8 + (struct.unpack(">I", content)[0] if len(content) == 4 else 0)
    return 4 if layout.kind == "CAF" else 0


def _order(file: BinaryIO, layout: Layout) -> str:
    if layout.kind == "AIFC":
        common = layout.find(b"COMM")
        content = b"" if common is None else read_at(file, common.start, 22)
        return "<" if content[18:22] == b"sowt" else ">"
    if layout.kind == "CAF":
        described = layout.find(b"desc")
        content = b"" if described is None else read_at(file, described.start, 16)
        return "<" if len(content) == 16 and content[15] & 2 else ">"
    return layout.grammar.order


def _swallowed(file: BinaryIO, layout: Layout, data: Chunk) -> tuple[int, list[Chunk], int] | None:
    """Find a row of whole chunks at the very end of what passes for samples.

    A known name from which stated sizes lead, chunk by chunk, to the very byte where the samples
    or the file end does not come about by chance.
    """
    grammar = layout.grammar
    if grammar.guid:
        return None
    first = max(data.start, data.stop - _SEARCHED_BYTES)
    last = read_at(file, first, data.stop - first)
    places: set[int] = set()
    for name in _TRAILING:
        at = last.find(name)
        while at >= 0 and len(places) < _MOST_PLACES:
            places.add(first + at)
            at = last.find(name, at + 1)
    landings = {layout.file_bytes, data.stop, data.stop + data.size % 2}
    for at in sorted(places):
        chunks, tail = walk_from(file, layout.kind, at, layout.file_bytes, most=64)
        for count, chunk in enumerate(chunks, 1):
            if chunk.promised != chunk.size:
                break
            if {chunk.stop, chunk.stop + chunk.size % 2} & landings:
                return at, chunks, max(tail, chunks[count - 1].stop)
    return None
