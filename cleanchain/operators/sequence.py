"""Operators one after the other."""

from __future__ import annotations

from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass

import numpy as np

from cleanchain.operators.base import Flow, Lanes, Operator


class _SequenceFlow(Flow):
    def __init__(self, flows: list[Flow]) -> None:
        self._flows = flows

    def push(self, block: Lanes) -> Lanes:
        for flow in self._flows:
            block = flow.push(block)
        return block

    def finish(self) -> Lanes:
        tails = []
        for index, flow in enumerate(self._flows):
            tail = flow.finish()
            for later in self._flows[index + 1 :]:
                if tail.shape[-1]:
                    tail = later.push(tail)
            if tail.shape[-1]:
                tails.append(tail)
        return np.concatenate(tails, axis=-1) if tails else np.empty((1, 1, 0))


@dataclass(frozen=True)
class Sequence(Operator):
    """Apply operators in order; each sees the driver as the earlier ones left it."""

    operators: SequenceOf[Operator]

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return _SequenceFlow([one.start(lanes, channels, frames) for one in self.operators])
