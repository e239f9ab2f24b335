"""Loudness: one gain for the whole take, held below a ceiling of true peak."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from cleanchain.audio.source import Source
from cleanchain.errors import SettingError
from cleanchain.measure.loudness import Loudness as Measured
from cleanchain.measure.loudness import measure_loudness
from cleanchain.operators.base import Identity, Operator
from cleanchain.operators.gain import Gain
from cleanchain.operators.planned import Planned
from cleanchain.stages.base import Plan, Stage
from cleanchain.units import db_to_amplitude, format_time, rms_dbfs

#: A rise by more than this deserves a word about the monitors, dB.
STARTLING_DB = 6.0


@dataclass(frozen=True)
class Loudness(Stage):
    """Bring a take to an integrated loudness by one gain; no limiter, no compressor.

    Parameters
    ----------
    target_lufs : float, optional
        Integrated loudness (ITU-R BS.1770-5) to reach, -70 to 0 LUFS. The default is that of
        EBU R 128.
    ceiling_dbtp : float, optional
        True peak that is not passed, 0 dBTP at most; the gain is lowered to keep it.
    """

    name: ClassVar[str] = "loudness"
    target_lufs: float = -23.0
    ceiling_dbtp: float = -1.0

    def __post_init__(self) -> None:
        if not -70.0 <= self.target_lufs <= 0.0:
            raise SettingError(
                f"a target of {self.target_lufs:g} LUFS is outside -70 to 0",
                where=self.name,
                fix="Give -23LUFS for broadcast or for tracks on their way into a mix.",
            )
        if not -60.0 <= self.ceiling_dbtp <= 0.0:
            raise SettingError(
                f"a ceiling of {self.ceiling_dbtp:g} dBTP is outside -60 to 0",
                where=self.name,
                fix="Give -1dBTP.",
            )

    def _design(self, take: Source, silence: Source | None) -> Plan:
        found = measure_loudness(take)
        findings: dict[str, Any] = {
            "integrated_lufs": found.integrated_lufs,
            "range_lu": found.range_lu,
            "true_peak_dbtp": found.true_peak_dbtp,
            "true_peak_at_s": found.true_peak_at_s,
            "gain_db": 0.0,
            "shortfall_db": 0.0,
        }
        if found.integrated_lufs is None or found.true_peak_dbtp is None:
            reasons = {"gain_db": f"left alone: {found.reason}"}
            return Plan(self, Identity(), findings, reasons)
        wanted_db = self.target_lufs - found.integrated_lufs
        gain_db = min(wanted_db, self.ceiling_dbtp - found.true_peak_dbtp)
        findings |= {
            "gain_db": gain_db,
            "shortfall_db": wanted_db - gain_db,
            "after_lufs": found.integrated_lufs + gain_db,
            "after_true_peak_dbtp": found.true_peak_dbtp + gain_db,
        }
        if silence is not None:
            findings["floor_after_dbfs"] = _level_dbfs(silence) + gain_db
        operator: Operator = Identity() if gain_db == 0.0 else Gain(db_to_amplitude(gain_db))
        factor = 1.0 if gain_db == 0.0 else db_to_amplitude(gain_db)
        return Plan(self, operator, findings, self._words(found, wanted_db, gain_db), factor)

    def _words(self, found: Measured, wanted_db: float, gain_db: float) -> dict[str, str]:
        words = {}
        if wanted_db - gain_db > 0.05 and found.integrated_lufs is not None:
            words["shortfall_db"] = (
                f"asked {self.target_lufs:g} LUFS, got {found.integrated_lufs + gain_db:.1f}: "
                f"the peak at {format_time(found.true_peak_at_s)} sets the limit"
            )
        if gain_db > STARTLING_DB:
            words["gain_db"] = f"{gain_db:.1f} dB louder now: start your monitors low"
        return words

    def floor_after(self, silence: Source, plan: Plan) -> Source:
        """Return the silence with the take's gain."""
        return silence if plan.is_identity else Planned(silence, plan.operator)


def _level_dbfs(source: Source) -> float:
    total = sum(float(np.sum(block**2)) for block in source.blocks())
    return max(rms_dbfs(total / (source.frames * source.channels)), -200.0)
