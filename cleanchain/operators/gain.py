"""A plain gain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from cleanchain.operators.base import Flow, Lanes, Operator


@dataclass(frozen=True)
class Gain(Operator):
    """Multiply by a constant.

    Parameters
    ----------
    factor : float
        Amplitude ratio.
    """

    follows_driver: ClassVar[bool] = False

    factor: float

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return _GainFlow(self.factor)


class _GainFlow(Flow):
    def __init__(self, factor: float) -> None:
        self._factor = factor

    def push(self, block: Lanes) -> Lanes:
        return block * self._factor

    def finish(self) -> Lanes:
        return np.empty((1, 1, 0))
