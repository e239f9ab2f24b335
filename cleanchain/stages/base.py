"""What a stage is: settings that plan, and a plan that is linear once it is made."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, ClassVar, final

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import BLOCK_FRAMES, Source
from cleanchain.operators.base import Identity, Lanes, Operator, check_same_format, run
from cleanchain.operators.planned import Planned


@dataclass(frozen=True)
class Plan:
    """What a stage decided for one take; it does the same to whatever is sent through it.

    Parameters
    ----------
    stage : Stage
        The settings it was made from.
    operator : Operator
        The linear map; `Identity` where there is nothing to do.
    findings : mapping
        What the stage found out, plain data with units in the names.
    reasons : mapping of str to str
        Words for each finding that is None, and for a stage that does nothing.
    gain : float
        Plain gain that the plan declares, so that the ledger does not count it as cost or merit.
    """

    stage: Stage
    operator: Operator
    findings: Mapping[str, Any] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)
    gain: float = 1.0

    @property
    def is_identity(self) -> bool:
        """Whether the plan returns the very samples it is given."""
        return isinstance(self.operator, Identity)

    def run(
        self, driver: Source, *passengers: Source, block_frames: int = BLOCK_FRAMES
    ) -> Iterator[Lanes]:
        """Stream the driver and its passengers; see `cleanchain.operators.base.run`."""
        return run(self.operator, driver, *passengers, block_frames=block_frames)

    def apply(
        self, driver: Source, *passengers: Source, single: bool = False
    ) -> tuple[Capture, ...]:
        """Run in memory and return one capture a lane, the driver's first."""
        lanes = (driver, *passengers)
        wholes = [np.empty((driver.channels, driver.frames)) for _ in lanes]
        done = 0
        for block in run(self.operator, *lanes, single=single):
            for whole, part in zip(wholes, block, strict=True):
                whole[:, done : done + part.shape[-1]] = part
            done += block.shape[-1]
        if done != driver.frames:
            raise ValueError(f"{done} frames came out of {driver.frames}")
        for whole in wholes:
            whole.flags.writeable = False  # so that it is not copied once more
        return tuple(
            Capture(whole, lane.rate_hz, lane.name)
            for whole, lane in zip(wholes, lanes, strict=True)
        )


class Stage(ABC):
    """Settings of one step of a chain. Subclasses are frozen dataclasses.

    A subclass sets `name` and writes `_design`; where the silence must go through the stage in
    another way than through a plan of its own it also writes `floor_after`.
    """

    name: ClassVar[str]

    @final
    def plan(self, take: Source, silence: Source | None = None) -> Plan:
        """Look at a take and at the noise floor, and decide.

        Parameters
        ----------
        take : Source
            What is to be cleaned, as the earlier stages left it.
        silence : Source, optional
            The same build recorded without playing, as the earlier stages left it. Same rate and
            channels as the take.

        Returns
        -------
        Plan
            Linear from here on.

        Raises
        ------
        FitError
            If the silence has another rate or channel count.
        InputError
            If the silence cannot serve this stage.
        """
        if silence is not None:
            check_same_format(
                take, silence, "Record the silence with the same settings as the take."
            )
        return self._design(take, silence)

    @abstractmethod
    def _design(self, take: Source, silence: Source | None) -> Plan:
        """Make the plan; the base has checked that take and silence belong together."""

    def floor_after(self, silence: Source, plan: Plan) -> Source:
        """Return the silence as this stage leaves it, for the stages that come after."""
        own = self.plan(silence, silence)
        return silence if own.is_identity else Planned(silence, own.operator)

    def settings(self) -> dict[str, Any]:
        """Return the settings as plain data, units in the names."""
        return asdict(self)  # type: ignore[call-overload,no-any-return]
