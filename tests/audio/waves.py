"""Sound files written by hand, byte by byte, so that a test knows what is in them."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

RATE_HZ = 44_100
#: Every container and sample format that is read and written, with an ending.
FORMATS = [
    ("WAV", ".wav", "PCM_U8"), ("WAV", ".wav", "PCM_16"), ("WAV", ".wav", "PCM_24"),
    ("WAV", ".wav", "PCM_32"), ("WAV", ".wav", "FLOAT"), ("WAV", ".wav", "DOUBLE"),
    ("WAVEX", ".wav", "PCM_U8"), ("WAVEX", ".wav", "PCM_24"), ("WAVEX", ".wav", "FLOAT"),
    ("RF64", ".wav", "PCM_U8"), ("RF64", ".wav", "PCM_16"), ("RF64", ".wav", "PCM_24"),
    ("RF64", ".wav", "PCM_32"), ("RF64", ".wav", "FLOAT"), ("RF64", ".wav", "DOUBLE"),
    ("AIFF", ".aiff", "PCM_S8"), ("AIFF", ".aiff", "PCM_U8"), ("AIFF", ".aiff", "PCM_16"),
    ("AIFF", ".aif", "PCM_24"), ("AIFF", ".aiff", "PCM_32"), ("AIFF", ".aiff", "FLOAT"),
    ("AIFF", ".aiff", "DOUBLE"),
    ("FLAC", ".flac", "PCM_S8"), ("FLAC", ".flac", "PCM_16"), ("FLAC", ".flac", "PCM_24"),
    ("W64", ".w64", "PCM_U8"), ("W64", ".w64", "PCM_16"), ("W64", ".w64", "PCM_24"),
    ("W64", ".w64", "PCM_32"), ("W64", ".w64", "FLOAT"), ("W64", ".w64", "DOUBLE"),
    ("CAF", ".caf", "PCM_S8"), ("CAF", ".caf", "PCM_16"), ("CAF", ".caf", "PCM_24"),
    ("CAF", ".caf", "PCM_32"), ("CAF", ".caf", "FLOAT"), ("CAF", ".caf", "DOUBLE"),
]  # fmt: skip


def noise(frames: int, channels: int = 1, seed: int = 1, rms: float = 0.1) -> NDArray[np.float64]:
    """Noise of shape (frames, channels)."""
    return rms * np.random.default_rng(seed).standard_normal((frames, channels)).clip(-3, 3)


def make(
    path: Path,
    container: str = "WAV",
    subtype: str = "PCM_24",
    frames: int = 5000,
    channels: int = 2,
    endian: str = "FILE",
) -> Path:
    """Write noise with the sound library."""
    soundfile.write(
        path, noise(frames, channels, rms=0.3), RATE_HZ, subtype, endian=endian, format=container
    )
    return path


def chunk(name: bytes, content: bytes, stated: int | None = None) -> bytes:
    """A RIFF chunk with its padding; its header may state another size."""
    size = len(content) if stated is None else stated
    return name + struct.pack("<I", size & 0xFFFFFFFF) + content + b"\0" * (len(content) % 2)


def fmt(
    channels: int = 1, bits: int = 16, rate_hz: int = 48_000, block: int | None = None
) -> bytes:
    """A plain fmt chunk."""
    block = channels * bits // 8 if block is None else block
    return chunk(
        b"fmt ", struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * block, block, bits)
    )


def riff(*chunks: bytes) -> bytes:
    """A WAV file."""
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def rf64(*chunks: bytes, data_bytes: int, frames: int, name: bytes = b"RF64") -> bytes:
    """An RF64 file, its sizes in a ds64 chunk and 0xFFFFFFFF elsewhere."""
    body = b"".join(chunks)
    whole = 4 + 36 + len(body)
    sizes = chunk(b"ds64", struct.pack("<QQQI", whole, data_bytes, frames, 0))
    return name + b"\xff" * 4 + b"WAVE" + sizes + body


def steps(frames: int, seed: int = 3) -> NDArray[np.int16]:
    """16-bit samples at about a tenth of full scale, none of them zero."""
    values = np.random.default_rng(seed).integers(1, 6000, frames)
    return (values * np.where(np.arange(frames) % 2, 1, -1)).astype("<i2")


def bext(time_reference: int, history: bytes = b"", version: int = 1) -> bytes:
    """Content of a bext chunk (EBU Tech 3285): an invented recording on a lap harp."""
    fixed = struct.pack(
        "<256s32s32s10s8sQH64s10s180s",
        b"lap harp, invented", b"shed", b"harp-0007", b"2026-03-01", b"10:11:12",
        time_reference, version, bytes(64), bytes(10), bytes(180),
    )  # fmt: skip
    assert len(fixed) == 602
    return fixed + history
