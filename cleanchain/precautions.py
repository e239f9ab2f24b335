"""What a take's own faults mean for its cleaning."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from cleanchain.measure.inspection import Inspection
from cleanchain.stages.base import Stage
from cleanchain.stages.loudness import Loudness


def below_clipping(stages: Sequence[Stage], found: Inspection) -> list[Stage]:
    """Return the stages, with no loudness that raises flat tops above where they are.

    Where a take hit a ceiling, at full scale or below it, there is nothing above it to be had: the
    ceiling of every loudness stage is lowered to the lowest one that was hit.

    Parameters
    ----------
    stages : sequence of Stage
        In any order.
    found : Inspection
        Of the take.
    """
    hit = [one.clipping.ceiling for one in found.channels if one.clipping.runs]
    if not hit:
        return list(stages)
    ceiling_dbtp = max(20 * math.log10(min(hit)), -60.0)
    return [
        replace(stage, ceiling_dbtp=min(stage.ceiling_dbtp, ceiling_dbtp))
        if isinstance(stage, Loudness)
        else stage
        for stage in stages
    ]
