"""Stages broken on purpose, one for each law, to show that its check can fail."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from cleanchain.audio.source import Samples, Source
from cleanchain.operators.base import Flow, Operator
from cleanchain.stages.base import Plan, Stage


class _BlockFlow(Flow):
    """Maps each block as it comes, by a function of the block."""

    def __init__(self, change: object) -> None:
        self._change = change

    def push(self, block: Samples) -> Samples:
        return self._change(block)  # type: ignore[operator,no-any-return]

    def finish(self) -> Samples:
        return np.empty((1, 1, 0))


@dataclass(frozen=True)
class _Block(Operator):
    change: object

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        return _BlockFlow(self.change)


class _Broken(Stage):
    name: ClassVar[str] = "broken"

    def change(self, block: Samples) -> Samples:
        raise NotImplementedError

    def _design(self, take: Source, silence: Source | None) -> Plan:
        return Plan(self, _Block(self.change))


@dataclass(frozen=True)
class AddsOffset(_Broken):
    def change(self, block: Samples) -> Samples:
        return block + 1e-6


@dataclass(frozen=True)
class Compresses(_Broken):
    def change(self, block: Samples) -> Samples:
        return np.tanh(block)


@dataclass(frozen=True)
class DropsFrames(_Broken):
    def change(self, block: Samples) -> Samples:
        return block[..., 1:]


@dataclass(frozen=True)
class Delays(_Broken):
    def change(self, block: Samples) -> Samples:
        return np.roll(block, 3, axis=-1)


@dataclass(frozen=True)
class WritesToInput(_Broken):
    kept: list[float] = field(default_factory=list)

    def change(self, block: Samples) -> Samples:
        return block

    def _design(self, take: Source, silence: Source | None) -> Plan:
        self.kept.append(1.0)
        return super()._design(take, silence)


@dataclass(frozen=True)
class KnowsBlocks(_Broken):
    def change(self, block: Samples) -> Samples:
        return block * np.linspace(1.0, 0.5, block.shape[-1])


_COUNTER = itertools.count(1)


@dataclass(frozen=True)
class Remembers(_Broken):
    def change(self, block: Samples) -> Samples:
        return block * (1 + 1e-15 * next(_COUNTER)) * 1.0000001 ** next(_COUNTER)


@dataclass(frozen=True)
class Overflows(_Broken):
    def change(self, block: Samples) -> Samples:
        return np.where(np.abs(block) > 100.0, np.inf, block)


@dataclass(frozen=True)
class ListensToPassengers(_Broken):
    def change(self, block: Samples) -> Samples:
        return block / (1.0 + block.shape[0])


class _CallsItselfFixed(_Block):
    follows_driver: ClassVar[bool] = False


@dataclass(frozen=True)
class HidesItsDriver(_Broken):
    def change(self, block: Samples) -> Samples:
        return block / (1.0 + np.abs(block[0]).max())

    def _design(self, take: Source, silence: Source | None) -> Plan:
        return Plan(self, _CallsItselfFixed(self.change))


@dataclass(frozen=True)
class Widens(_Broken):
    def change(self, block: Samples) -> Samples:
        return block * np.float64(0.5)


@dataclass(frozen=True)
class NeverOff(_Broken):
    def change(self, block: Samples) -> Samples:
        return block * (1 + 1e-15)
