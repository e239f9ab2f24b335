"""How often takes are refused, rightly and wrongly, on drawn ones."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.presets.fit import check_fit
from cleanchain.presets.floor import make_floor
from cleanchain.presets.passport import hum_of
from tests.bench.mixes import FONT
from tests.bench.preset_bench import draw

MISFITS = ("gain", "floor", "risen", "mains")


def refused(kind: str, count: int) -> int:
    """Return how many drawn takes of a kind are refused."""
    found = 0
    for seed in range(count):
        silence, take, _ = draw(kind, seed)
        floor = make_floor(silence, np.zeros(0), np.zeros((1, 0)), hum_of(silence))
        found += check_fit(floor, take).verdict == "refused"
    return found


@pytest.mark.long
@pytest.mark.skipif(not FONT.exists(), reason="no sound font to render takes with")
def test_misfits_are_refused_and_matches_are_not() -> None:
    assert sum(refused(kind, 50) for kind in MISFITS) >= 0.95 * 200
    assert refused("match", 200) <= 0.02 * 200
