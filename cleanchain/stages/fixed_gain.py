"""Fixed gain: the same for every take of a set, so that they keep their balance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from cleanchain.audio.source import Source
from cleanchain.errors import SettingError
from cleanchain.operators.base import Identity
from cleanchain.operators.gain import Gain
from cleanchain.operators.planned import Planned
from cleanchain.stages.base import Plan, Stage
from cleanchain.units import db_to_amplitude


@dataclass(frozen=True)
class FixedGain(Stage):
    """Multiply a take by a gain that was decided elsewhere.

    Parameters
    ----------
    gain_db : float, optional
        -120 to 120 dB; 0 is off.
    """

    name: ClassVar[str] = "fixed-gain"
    gain_db: float = 0.0

    def __post_init__(self) -> None:
        if not -120.0 <= self.gain_db <= 120.0:
            raise SettingError(f"{self.gain_db:g} dB is outside -120 to 120", where=self.name)

    def _design(self, take: Source, silence: Source | None) -> Plan:
        findings = {"gain_db": self.gain_db}
        if self.gain_db == 0.0:
            return Plan(self, Identity(), findings, {"gain_db": "off: a gain of 0 dB"})
        factor = db_to_amplitude(self.gain_db)
        return Plan(self, Gain(factor), findings, gain=factor)

    def floor_after(self, silence: Source, plan: Plan) -> Source:
        """Return the silence with the take's gain."""
        return silence if plan.is_identity else Planned(silence, plan.operator)
