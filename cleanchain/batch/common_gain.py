"""One gain for all takes of a batch, so that they keep their balance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cleanchain.audio.source import Source
from cleanchain.errors import SettingError
from cleanchain.measure.loudness import Loudness as Measured
from cleanchain.measure.loudness import Mono, measure_loudness
from cleanchain.measure.loudness_gates import ABSOLUTE_GATE_LUFS
from cleanchain.stages.base import Stage
from cleanchain.stages.fixed_gain import FixedGain
from cleanchain.stages.loudness import CommonGain, Loudness

#: Blocks are counted in steps of this many to the LU, so that a line of the journal holds an hour.
_STEPS_PER_LU = 100


@dataclass(frozen=True)
class Heard:
    """What a take contributes to the loudness of all.

    Parameters
    ----------
    blocks : dict of int to int
        How many blocks of 400 ms, one each 100 ms, have a loudness, in hundredths of LUFS; those
        below the absolute gate are left out.
    peak_dbtp : float or None
        Its true peak; None where it holds nothing, or does not count.
    """

    blocks: Mapping[int, int]
    peak_dbtp: float | None

    def as_measured(self) -> Measured:
        """Return it as a loudness of which only the blocks and the peak are known."""
        steps = np.array(list(self.blocks), dtype=float)
        blocks = np.repeat(steps / _STEPS_PER_LU, list(self.blocks.values()))
        return Measured(None, None, None, None, self.peak_dbtp, 0.0, "", blocks)


#: Of a take that does not count.
NOTHING = Heard({}, None)


def hear(take: Source, mono: Mono) -> Heard:
    """Measure what a take contributes."""
    found = measure_loudness(take, mono)
    loud = found.blocks_lufs[found.blocks_lufs > ABSOLUTE_GATE_LUFS]
    steps, counts = np.unique(np.round(loud * _STEPS_PER_LU).astype(int), return_counts=True)
    blocks = dict(zip(steps.tolist(), counts.tolist(), strict=True))
    return Heard(blocks, found.true_peak_dbtp)


def without_loudness(stages: Sequence[Stage]) -> tuple[tuple[Stage, ...], Loudness]:
    """Return the stages before the loudness, and the loudness.

    Raises
    ------
    SettingError
        If the chain does not end with a loudness.
    """
    if not stages or not isinstance(stages[-1], Loudness):
        raise SettingError(
            "a common gain needs a chain that ends with loudness",
            fix="Leave --common-gain out, or use a preset whose last stage is loudness.",
        )
    return tuple(stages[:-1]), stages[-1]


def common_gain(heard: Sequence[Heard], loudness: Loudness) -> CommonGain | None:
    """Return the gain that brings all takes, as one programme, to a loudness.

    Parameters
    ----------
    heard : sequence of Heard
        One a take.
    loudness : Loudness
        Target and ceiling: the blocks of all takes go through one gate together, and the highest
        true peak of all stays below the ceiling.

    Returns
    -------
    CommonGain or None
        None where no take has a loudness.
    """
    return loudness.gain_for([one.as_measured() for one in heard])


def with_common_gain(before: Sequence[Stage], gain_db: float) -> tuple[Stage, ...]:
    """Return the chain with the common gain at its end."""
    return (*before, FixedGain(gain_db))
