"""Grey pictures of levels, as data addresses that a page can hold."""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np

from cleanchain.measure.spectrogram import Spectrogram
from cleanchain.report.elements import Picture


def picture_of(name: str, field: Spectrogram, low_db: float, high_db: float) -> Picture:
    """Draw levels in grey: black is `low_db` or less, white `high_db` or more.

    Parameters
    ----------
    name : str
        What it shows.
    field : Spectrogram
        Levels; the lowest band is drawn at the bottom.
    low_db, high_db : float
        Ends of the scale, `low_db` below `high_db`.
    """
    grey = (field.level_db[::-1] - low_db) / (high_db - low_db)
    data = png(np.rint(255 * grey.clip(0, 1)).astype(np.uint8))
    href = f"data:image/png;base64,{base64.b64encode(data).decode('ascii')}"
    return Picture(name, href, low_db, high_db)


def png(grey: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> bytes:
    """Return a grey picture of 8 bits as a PNG file (ISO/IEC 15948, filter 0 in every row).

    Parameters
    ----------
    grey : ndarray of uint8 of shape (rows, columns)
        Top row first.
    """
    rows, columns = grey.shape
    header = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    filtered = np.concatenate([np.zeros((rows, 1), np.uint8), grey], axis=1)
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(filtered.tobytes(), 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )
