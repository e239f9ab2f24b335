"""Results that depend on nothing but the samples of a source, kept for its next reader.

A chain and its trials learn from the same silence several times; the second time is for nothing.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

import numpy as np

from cleanchain.audio.source import Source

T = TypeVar("T")


class Recall(Generic[T]):
    """Keeps the last few results of a pure function of a source and settings.

    Parameters
    ----------
    most : int, optional
        How many results are kept.
    """

    def __init__(self, most: int = 4) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, T] = OrderedDict()

    def of(self, source: Source, settings: Hashable, work: Callable[[], T]) -> T:
        """Return what `work` gives for these samples and settings, working at most once.

        Parameters
        ----------
        source : Source
            What the result depends on, by its samples and rate.
        settings : hashable
            What else it depends on.
        work : callable
            Makes the result.
        """
        digest = hashlib.blake2b(digest_size=16)
        for block in source.blocks():
            digest.update(np.ascontiguousarray(block).tobytes())
        shape = (source.rate_hz, source.channels, source.frames)
        key = (digest.digest(), shape, settings)
        if key not in self._kept:
            self._kept[key] = work()
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return self._kept[key]
