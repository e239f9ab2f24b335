"""Stages in order: planned one after the other, run as one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from cleanchain.audio.source import BLOCK_FRAMES, Source
from cleanchain.operators import sequence
from cleanchain.operators.base import Identity, Lanes, Operator, run
from cleanchain.operators.planned import Planned
from cleanchain.stages.base import Plan, Stage


@dataclass(frozen=True)
class ChainPlan:
    """What every stage of a chain decided for one take.

    Parameters
    ----------
    take : Source
        What the chain was planned for.
    plans : tuple of Plan
        One a stage, in order.
    points : tuple of Source
        The take at each point of the chain: ``points[i]`` is what stage i was planned on, the
        last one is the cleaned take. Worked out when first read, once.
    floors : tuple of Source or None
        The silence at the same points, None where there is no silence.
    """

    take: Source
    plans: tuple[Plan, ...]
    points: tuple[Source, ...]
    floors: tuple[Source | None, ...]

    @property
    def operator(self) -> Operator:
        """The whole chain as one linear operator."""
        active = [plan.operator for plan in self.plans if not plan.is_identity]
        return sequence.Sequence(active) if active else Identity()

    @property
    def is_identity(self) -> bool:
        """Whether the chain returns the very samples it is given."""
        return isinstance(self.operator, Identity)

    @property
    def output(self) -> Source:
        """The cleaned take."""
        return self.points[-1]

    @property
    def gain(self) -> float:
        """Product of the gains that the stages declare."""
        product = 1.0
        for plan in self.plans:
            product *= plan.gain
        return product

    @property
    def before_gain(self) -> Source:
        """The take as cleaned by all stages that are not a declared gain at the chain's end."""
        last = len(self.plans)
        while last and (self.plans[last - 1].is_identity or self.plans[last - 1].gain != 1.0):
            last -= 1
        return self.points[last]

    def without_points(self) -> ChainPlan:
        """Return what was decided, and let go of the take at each point, which takes room."""
        return replace(self, points=(self.take,), floors=())

    def run(
        self, driver: Source, *passengers: Source, block_frames: int = BLOCK_FRAMES
    ) -> Iterator[Lanes]:
        """Stream a driver and its passengers through all plans in lockstep."""
        return run(self.operator, driver, *passengers, block_frames=block_frames)


@dataclass(frozen=True)
class Chain:
    """Stages in the order in which they work.

    Parameters
    ----------
    stages : sequence of Stage
        May be empty: the chain is then the identity.
    """

    stages: Sequence[Stage]

    def plan(
        self,
        take: Source,
        silence: Source | None = None,
        made: Mapping[int, Plan] | None = None,
    ) -> ChainPlan:
        """Plan every stage on the take as the earlier stages leave it.

        The noise floor that a stage sees is the silence as the earlier stages leave it.

        Parameters
        ----------
        take : Source
            What is to be cleaned.
        silence : Source, optional
            The same build recorded without playing; same rate and channels.
        made : mapping of int to Plan, optional
            Plans that are used as they are, by the number of their stage.
        """
        plans: list[Plan] = []
        points: list[Source] = [take]
        floors: list[Source | None] = [silence]
        for index, stage in enumerate(self.stages):
            plan = (made or {}).get(index) or stage.plan(points[-1], floors[-1])
            plans.append(plan)
            points.append(points[-1] if plan.is_identity else Planned(points[-1], plan.operator))
            floor = floors[-1]
            if floor is not None and index + 1 < len(self.stages):
                floor = stage.floor_after(floor, plan)
            floors.append(floor)
        return ChainPlan(take, tuple(plans), tuple(points), tuple(floors))
