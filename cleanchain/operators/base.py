"""Linear operators that stream: one driver decides, passengers get exactly the same.

An operator is fixed once it is made. A flow is one run of it over lanes of equal length:
lane 0 is the driver, the others are passengers. What a flow does to a passenger depends on the
driver and on the operator, never on the passenger, and is linear in the passenger.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import BLOCK_FRAMES, Source
from cleanchain.errors import FitError
from cleanchain.threads import helpers, steps_ahead

#: Frames of lanes, (lanes, channels, n); a flow is as precise as what it is given.
Lanes = NDArray[np.floating[Any]]


class Flow(ABC):
    """One run of an operator over lanes; frames leave in order, with no lag in all."""

    @abstractmethod
    def push(self, block: Lanes) -> Lanes:
        """Take (lanes, channels, n) and return the (lanes, channels, m) frames that are ready."""

    @abstractmethod
    def finish(self) -> Lanes:
        """Return the frames that were still held back, shape (lanes, channels, k)."""


class Operator(ABC):
    """A linear map from lanes of a given length to lanes of the same length.

    Attributes
    ----------
    follows_driver : bool
        Whether the driver may decide gains on the way. A map that says it does not is the same
        whatever drives it, so that any lane can be the first.
    """

    follows_driver: ClassVar[bool] = True

    @abstractmethod
    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run over `lanes` lanes of `channels` channels and `frames` frames."""


class _IdentityFlow(Flow):
    def push(self, block: Lanes) -> Lanes:
        return block

    def finish(self) -> Lanes:
        return np.empty((1, 1, 0))


@dataclass(frozen=True)
class Identity(Operator):
    """The exact identity: the very samples come back."""

    follows_driver: ClassVar[bool] = False

    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        """Begin a run; see `Operator.start`."""
        return _IdentityFlow()


class GridFlow(Flow):
    """A flow that works on windows of a fixed grid, whatever the size of the blocks pushed.

    Window k covers frames k * step - context ... (k + 1) * step + context and answers for the
    `step` frames in its middle, so the result is the same to the last bit for any block size.
    Beyond the ends of the lanes the windows see zeros or the mirrored signal. With `ahead` helpers
    work on windows while the next ones come in.
    """

    def __init__(
        self,
        lanes: int,
        channels: int,
        frames: int,
        *,
        step: int,
        context: int,
        ends: Literal["zero", "mirror"] = "mirror",
        ahead: bool = False,
    ) -> None:
        self._shape = (lanes, channels)
        self._frames = frames
        self._step = step
        self._context = context
        self._mode: Literal["constant", "symmetric"] = "constant" if ends == "zero" else "symmetric"
        self._pending: list[Lanes] = []
        self._held: Lanes = np.empty((lanes, channels, 0))  # starts at frame max(done - context, 0)
        self._count = 0  # frames pushed
        self._done = 0  # frames begun, always a multiple of step before the end
        self._ahead = steps_ahead() if ahead else 0
        self._helpers = helpers(self._ahead)
        self._begun: deque[tuple[Future[Lanes], int]] = deque()  # windows, and frames of each

    @abstractmethod
    def _window(self, window: Lanes, start: int) -> Lanes:
        """Map (lanes, channels, step + 2 context) to the `step` frames from frame `start` on."""

    def push(self, block: Lanes) -> Lanes:
        """See `Flow.push`."""
        if self._count == 0:
            self._held = np.empty((*self._shape, 0), dtype=block.dtype)
        self._pending.append(block)
        self._count += block.shape[-1]
        if self._count < min(self._done + self._step + self._context, self._frames):
            return self._held[..., :0]
        self._gather()
        out = [self._held[..., :0]]
        while self._count >= self._done + self._step + self._context:
            self._begin()
            out += self._ended(self._ahead)
        return np.concatenate(out, axis=-1)

    def finish(self) -> Lanes:
        """See `Flow.finish`."""
        self._gather()
        out = [self._held[..., :0]]
        while self._done < self._count:
            self._begin()
            out += self._ended(self._ahead)
        out += self._ended(0)
        self._helpers.shutdown()
        return np.concatenate(out, axis=-1)

    def _gather(self) -> None:
        self._held = np.concatenate([self._held, *self._pending], axis=-1)
        self._pending = []

    def _begin(self) -> None:
        first = max(self._done - self._context, 0)  # frame that _held starts at
        window = self._held[..., : self._done + self._step + self._context - first]
        missing_left = self._context - (self._done - first)
        missing_right = self._step + 2 * self._context - missing_left - window.shape[-1]
        if missing_left or missing_right:
            window = np.pad(
                window, ((0, 0), (0, 0), (missing_left, missing_right)), mode=self._mode
            )
        ready = min(self._step, self._count - self._done)
        self._begun.append((self._helpers.submit(self._window, window, self._done), ready))
        self._done += ready
        drop = max(self._done - self._context, 0) - first
        self._held = self._held[..., drop:]

    def _ended(self, most: int) -> Iterator[Lanes]:
        """Wait until no more than some windows are being worked on; yield the others' frames."""
        while len(self._begun) > most:
            window, frames = self._begun.popleft()
            yield window.result()[..., :frames]


def run(
    operator: Operator,
    driver: Source,
    *passengers: Source,
    block_frames: int = BLOCK_FRAMES,
    single: bool = False,
) -> Iterator[Lanes]:
    """Stream sources through an operator in lockstep.

    Parameters
    ----------
    operator : Operator
        What to apply.
    driver : Source
        Lane 0, which may decide gains on the way.
    *passengers : Source
        Further lanes of the same rate, channels and frames.
    block_frames : int, optional
        Frames read at a time; it does not change the result.
    single : bool, optional
        Work in single precision: quicker, with an error more than 110 dB below the lane.

    Yields
    ------
    ndarray of shape (1 + passengers, channels, n)
        Processed frames in order; their number is the driver's.

    Raises
    ------
    FitError
        If a passenger has another rate, channel count or length.
    """
    for passenger in passengers:
        check_same_shape(driver, passenger)
    lanes = (driver, *passengers)
    kind = np.float32 if single else np.float64
    flow = operator.start(len(lanes), driver.channels, driver.frames)
    for blocks in zip(*(lane.blocks(block_frames) for lane in lanes), strict=True):
        ready = flow.push(np.stack(blocks, dtype=kind))
        if ready.shape[-1]:
            yield ready
    ready = flow.finish()
    if ready.shape[-1]:
        yield ready


def check_same_shape(one: Source, other: Source) -> None:
    """Refuse two sources that differ in rate, channels or frames."""
    fix = "Give a recording of the same rate, channel count and length."
    check_same_format(one, other, fix)
    if one.frames != other.frames:
        raise FitError(
            f"has {other.frames} frames, but {one.name} has {one.frames}",
            where=other.name,
            fix=fix,
        )


def check_same_format(one: Source, other: Source, fix: str) -> None:
    """Refuse a source whose rate or channels differ from those of another.

    Parameters
    ----------
    one, other : Source
        The second is blamed.
    fix : str
        What to do about it.

    Raises
    ------
    FitError
    """
    for what, a, b in (
        ("Hz", one.rate_hz, other.rate_hz),
        ("channel(s)", one.channels, other.channels),
    ):
        if a != b:
            raise FitError(f"has {b} {what}, but {one.name} has {a}", where=other.name, fix=fix)
