"""One number for all samples of a file, whatever container or header surrounds them."""

from __future__ import annotations

import hashlib
import sys
from collections import OrderedDict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.file_source import FileSource

_kept: OrderedDict[tuple[Any, ...], str] = OrderedDict()


class SampleHash:
    """Hashes samples as they are stored, block by block.

    Integers stand at the top of 32 bits, so that the same samples in WAV and in FLAC, or in 16
    and in 24 bits, have the same hash. Floats are hashed as they are.
    """

    def __init__(self) -> None:
        self._digest = hashlib.sha256()

    def update(self, block: NDArray[Any]) -> None:
        """Add frames of shape (frames, channels), of type int32, float32 or float64."""
        if sys.byteorder == "big":
            block = block.byteswap()
        if block.size:
            self._digest.update(np.ascontiguousarray(block).data.cast("B"))

    def text(self) -> str:
        """Return the hash as text."""
        return f"sha256:{self._digest.hexdigest()}"


def hash_samples(source: FileSource) -> str:
    """Return the hash of a file's samples; worked out once while the file stays as it is."""
    if _key(source) not in _kept or not source.stamp:
        hashed = SampleHash()
        for block in source.stored_blocks():
            hashed.update(block)
        remember(source, hashed)
    return _kept[_key(source)]


def remember(source: FileSource, hashed: SampleHash) -> None:
    """Keep the hash that somebody else has made while going through all samples of a file."""
    _kept[_key(source)] = hashed.text()
    while len(_kept) > 16:
        _kept.popitem(last=False)


def _key(source: FileSource) -> tuple[Any, ...]:
    return (source.path, source.stamp, source.frames, source.by_payload)


def seed_of(source: FileSource) -> int:
    """Return a seed that depends on a file's samples only."""
    return int(hash_samples(source).partition(":")[2][:16], 16)
