"""Samples to the bytes of an uncompressed file."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def pack(block: NDArray[Any], subtype: str, order: str) -> bytes:
    """Return the bytes of a block.

    Parameters
    ----------
    block : ndarray of shape (frames, channels)
        int32 with the sample at the top of its 32 bits, or float32 or float64.
    subtype : str
        A key of `cleanchain.audio.file_source.SUBTYPE_BITS`.
    order : {"<", ">"}
        Byte order of a sample.
    """
    if subtype in ("FLOAT", "DOUBLE"):
        return block.astype(order + ("f4" if subtype == "FLOAT" else "f8")).tobytes()
    if subtype == "PCM_32":
        return block.astype(order + "i4").tobytes()
    if subtype == "PCM_16":
        return (block >> 16).astype(order + "i2").tobytes()
    if subtype == "PCM_24":
        four = np.ascontiguousarray(block, dtype="<i4").view(np.uint8).reshape(-1, 4)
        three = np.empty((four.shape[0], 3), dtype=np.uint8)
        for to, of in enumerate((1, 2, 3) if order == "<" else (3, 2, 1)):
            three[:, to] = four[:, of]
        return three.tobytes()
    narrow = (block >> 24).astype(np.int8)
    if subtype == "PCM_U8":
        return (narrow.view(np.uint8) ^ 0x80).tobytes()
    return narrow.tobytes()
