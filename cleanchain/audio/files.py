"""Opening a take on disk: looked at with care, refused where it cannot be worked on."""

from __future__ import annotations

import os
import stat
from dataclasses import replace
from pathlib import Path

from cleanchain.audio.chunks import walk
from cleanchain.audio.file_source import CONTAINERS, SUBTYPE_BITS, FileSource, stamp_of
from cleanchain.audio.header import Format, Payload, find_payload, read_format
from cleanchain.audio.reading import library_name, open_file, read_block, short
from cleanchain.audio.repair import find_gaps
from cleanchain.errors import InputError

__all__ = ["CONTAINERS", "SUBTYPE_BITS", "FileSource", "open_source"]

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000
MOST_CHANNELS = 64
#: Most frames that a header is believed to hold: a fortnight at 384 kHz.
MOST_FRAMES = 1 << 39


def open_source(path: Path, *, salvage: bool = False, repair_nan: bool = False) -> FileSource:
    """Look at a sound file and refuse what cannot be worked on.

    Parameters
    ----------
    path : Path
        WAV, RF64, BW64, W64, AIFF, FLAC or CAF with PCM or float samples, 8 to 384 kHz, up to 64
        channels.
    salvage : bool, optional
        Take what is there of a file whose header promises something else, or that cannot be
        decoded to its end. What was wrong stands in `notices`.
    repair_nan : bool, optional
        Bridge stretches of samples that are not numbers.

    Raises
    ------
    InputError
        If there is no such file, it is not audio, it is empty, its format is not one of these,
        or its header does not tell the truth.
    """
    _check_is_file(path)
    stamp = stamp_of(path)
    try:
        with path.open("rb") as file:
            layout = walk(file)
            payload = None if layout is None else find_payload(file, layout)
            stated = None if layout is None else read_format(file, layout)
    except OSError as error:
        raise InputError(f"cannot be opened ({short(error)})", where=str(path)) from None
    if layout is not None and payload is None:
        raise InputError(f"is a {layout.kind} file without samples", where=str(path))
    source = _described(path, payload, stated)
    _check_format(source)
    source = replace(source, payload=payload, stamp=stamp)
    if payload is None:
        source = _checked_end(source, salvage)
    else:
        source = _checked_header(source, payload, stated, salvage)
    _check_frames(source)
    if repair_nan and source.bits is None:
        gaps = find_gaps(source.stored_blocks())
        notes = tuple(gap.words(source.rate_hz) for gap in gaps)
        source = replace(source, gaps=gaps, notices=source.notices + notes)
    return source


def _check_is_file(path: Path) -> None:
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        raise InputError("there is no such file", where=str(path)) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be opened ({short(error)})", where=str(path)) from None
    if stat.S_ISDIR(mode):
        raise InputError("is a folder, not a sound file", where=str(path))
    if not stat.S_ISREG(mode):
        raise InputError("is not a regular file", where=str(path), fix="Copy it to a file first.")
    if path.stat().st_size == 0:
        raise InputError("is empty: there is no audio in it", where=str(path))
    if not os.access(path, os.R_OK):
        raise InputError("may not be read by you", where=str(path), fix="Change its permissions.")


def _described(path: Path, payload: Payload | None, stated: Format | None) -> FileSource:
    """Return what the sound library says of a file, or its header where the library cannot."""
    import soundfile

    container = "" if payload is None else payload.layout.kind
    try:
        info = soundfile.info(library_name(path))
    except (soundfile.LibsndfileError, RuntimeError) as error:
        # It knows no BW64, and stumbles over odd chunks; the header may be sound all the same.
        if payload is not None and stated is not None and stated.subtype:
            container = "WAV" if container == "RIFX" else container
            return FileSource(path, container, stated.subtype, stated.rate_hz, stated.channels, -1)
        raise InputError(
            f"is not a sound file that can be read ({short(error)})",
            where=str(path),
            fix="Give a WAV, RF64, BW64, W64, AIFF, FLAC or CAF file.",
        ) from None
    if info.format not in CONTAINERS or info.subtype not in SUBTYPE_BITS:
        raise InputError(
            f"holds {info.subtype_info} in {info.format_info}",
            where=str(path),
            fix="Convert it to WAV or FLAC with PCM or float samples first.",
        )
    return FileSource(path, info.format, info.subtype, info.samplerate, info.channels, info.frames)


def _checked_header(
    source: FileSource, payload: Payload, stated: Format | None, salvage: bool
) -> FileSource:
    """Hold the header against the file; refuse a lie, or salvage what is there."""
    frame_bytes = source.frame_bytes
    if stated is not None and stated.frame_bytes != frame_bytes:
        raise InputError(
            f"its header contradicts itself: {stated.bits} bits in {source.channels} channel(s) "
            f"make frames of {frame_bytes} bytes, but it states {stated.frame_bytes}",
            where=source.name,
            fix="Export the recording again.",
        )
    frames = payload.size // frame_bytes
    fault = _lie(source, payload, frames)
    if not fault:
        return replace(source, frames=frames, by_payload=source.frames != frames)
    if not salvage:
        raise InputError(
            fault,
            where=source.name,
            fix=f"Copy or export it again, or add --salvage to work on the "
            f"{frames / max(source.rate_hz, 1):.2f} s that are there.",
        )
    return replace(source, frames=frames, by_payload=True, notices=(fault,))


def _lie(source: FileSource, payload: Payload, frames: int) -> str:
    """Say what is wrong with the length that a header states; nothing where it is right."""
    second = source.frame_bytes * max(source.rate_hz, 1)
    if payload.promised < 0 or (payload.promised == 0 and payload.size):
        return (
            f"its header does not say how long it is (a recording that was not finished?); "
            f"{payload.size / second:.2f} s of audio follow"
        )
    if payload.swallowed:
        extra = (payload.promised - payload.size) / source.frame_bytes
        return (
            f"its header counts chunks behind the audio ({', '.join(payload.swallowed)}) as "
            f"{extra:.0f} frames of audio"
        )
    if payload.promised > payload.size:
        return (
            f"is cut off: its header promises {payload.promised / second:.2f} s of audio, "
            f"{(payload.promised - payload.size) / second:.2f} s of it are missing"
        )
    # The library reads chunks behind the samples of a W64 file as samples.
    if source.frames >= 0 and source.frames != frames and source.container != "W64":
        return f"its header states {source.frames} frames, but the file holds {frames}"
    return ""


def _checked_end(source: FileSource, salvage: bool) -> FileSource:
    """Try the last frame of a compressed file; salvage what can be decoded before a damage."""
    fault = ""
    if not 0 <= source.frames <= MOST_FRAMES:
        fault = "its header does not say how long it is, or promises what cannot be"
    elif source.frames and not salvage:
        try:
            with open_file(source.path) as file:
                file.seek(source.frames - 1)
                missing = read_block(file, 1, "float64", source.path).shape[0] != 1
        except (InputError, RuntimeError, OSError):
            missing = True
        if missing:
            fault = (
                f"is cut off or damaged: {source.frames} frames are promised, the last is not there"
            )
    if fault and not salvage:
        raise InputError(
            fault,
            where=source.name,
            fix="Copy it again, or add --salvage to work on what can be decoded.",
        )
    if not salvage:
        return source
    there = _decodable(source.path)
    if there == source.frames:
        return source
    lost = fault or f"is damaged: {source.frames - there} of {source.frames} frames are lost"
    return replace(source, frames=there, notices=(lost,))


def _decodable(path: Path, block_frames: int = 576) -> int:
    """Count the frames that decode from the start."""
    count: int = 0
    with open_file(path) as file:
        while True:
            try:
                block = read_block(file, block_frames, "int32", path)
            except InputError:
                return count
            count += int(block.shape[0])
            if block.shape[0] < block_frames:
                return count


def _check_format(source: FileSource) -> None:
    where = source.name
    if not LOWEST_RATE_HZ <= source.rate_hz <= HIGHEST_RATE_HZ:
        raise InputError(
            f"has a sampling rate of {source.rate_hz} Hz; 8 kHz to 384 kHz can be worked on",
            where=where,
        )
    if not 1 <= source.channels <= MOST_CHANNELS:
        raise InputError(
            f"has {source.channels} channels; 1 to {MOST_CHANNELS} can be worked on", where=where
        )


def _check_frames(source: FileSource) -> None:
    where = source.name
    if source.frames <= 0:
        raise InputError("holds no audio: 0 frames", where=where)
    if source.frames > MOST_FRAMES:
        raise InputError(
            f"its header promises {source.frames} frames, which cannot be", where=where
        )
