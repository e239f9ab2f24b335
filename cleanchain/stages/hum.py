"""Hum: the mains out, the instrument left in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np

from cleanchain.audio.recall import Recall
from cleanchain.audio.source import Source
from cleanchain.errors import SettingError
from cleanchain.measure import hum as learning
from cleanchain.measure.hum import HumModel
from cleanchain.measure.mains import NOMINAL_HZ, find_candidates
from cleanchain.operators.base import Identity
from cleanchain.operators.comb import Comb
from cleanchain.operators.planned import Planned
from cleanchain.operators.projection import HumProjection
from cleanchain.stages.base import Plan, Stage
from cleanchain.stages.hum_following import followed, half_frames, shares, trust

#: Width of a notch of the plain comb, Hz.
NOTCH_HZ = 2.0
_LEARNED: Recall[HumModel | None] = Recall()


@dataclass(frozen=True)
class Hum(Stage):
    """Take mains hum out.

    Parameters
    ----------
    mains_hz : float or None, optional
        Nominal mains frequency, 50 or 60 Hz; None finds it from the recording.
    method : {"track", "notch"}, optional
        "track" follows phase and level of the hum, whose waveform it learns from the silence, and
        subtracts it; "notch" is a plain comb of constant width at the harmonics that are there.
    """

    name: ClassVar[str] = "hum"
    mains_hz: float | None = None
    method: Literal["track", "notch"] = "track"

    def __post_init__(self) -> None:
        if self.mains_hz is not None and self.mains_hz not in NOMINAL_HZ:
            raise SettingError(
                f"mains of {self.mains_hz:g} Hz are not looked for",
                where=self.name,
                fix="Give 50Hz, 60Hz or auto; the exact frequency is measured.",
            )
        if self.method not in ("track", "notch"):
            raise SettingError(f"no method {self.method!r}", where=self.name)

    def _design(self, take: Source, silence: Source | None) -> Plan:
        return self._with_model(take, self._learn(take, silence), silence is not None)

    def floor_after(self, silence: Source, plan: Plan) -> Source:
        """Return the silence with the hum taken out that was taken out of the take."""
        model: HumModel | None = getattr(plan, "model", None)
        own = self._with_model(silence, model, True) if model else self.plan(silence, silence)
        return silence if own.is_identity else Planned(silence, own.operator)

    def _nominal(self) -> tuple[float, ...]:
        return NOMINAL_HZ if self.mains_hz is None else (self.mains_hz,)

    def _learn(self, take: Source, silence: Source | None) -> HumModel | None:
        """Learn the waveform from the silence, or from the take itself."""
        heard = take if silence is None else silence
        settings = (self._nominal(), silence is not None)
        return _LEARNED.of(heard, settings, lambda: self._learn_from(heard, silence is not None))

    def _learn_from(self, heard: Source, alone: bool) -> HumModel | None:
        for candidate in find_candidates(heard, self._nominal()):
            model = learning.learn(heard, candidate, alone)
            if model is not None:
                return model
        return None

    def _with_model(self, take: Source, model: HumModel | None, sure: bool) -> Plan:
        findings: dict[str, Any] = {"mains_hz": None, "harmonics": [], "learned_from": None}
        if model is None:
            return Plan(self, Identity(), findings, {"mains_hz": "no mains hum found"})
        path = followed(take, model)
        if path is None:
            words = "the hum of the silence is not in the take"
            return Plan(self, Identity(), findings, {"mains_hz": words})
        frames, phase, seen = path
        offset_hz = learning.mean_offset_hz(phase, frames, learning.presence(seen, model))
        findings |= {
            "mains_hz": round(frames.mains_hz + offset_hz, 4),
            "mains_spread_hz": round(learning.spread_hz(phase, frames), 4),
            "harmonics": _table(model, frames.mains_hz),
            "learned_from": "silence" if sure else "take",
        }
        reasons = (
            {}
            if sure
            else {"learned_from": "learned from the take itself, without a silence: less sure"}
        )
        if self.method == "notch":
            operator = Comb.at(frames.mains_hz, model.harmonics, NOTCH_HZ, take.rate_hz)
            reasons["method"] = operator.words()
            return HumPlan(self, operator, findings, reasons, model=model)
        level = learning.expected_levels(seen, phase, model)
        weight = (
            trust(seen, phase, level, model, take, frames)
            if sure
            else np.ones((take.channels, learning.frame_count(take, frames), 1), dtype=np.float32)
        )
        operator_ = HumProjection(
            frames=frames,
            phase=learning.to_frames(phase, take, frames),
            level=learning.to_frames(level, take, frames),
            shape=model.amplitudes,
            weight=weight,
            half_frames=half_frames(seen, phase, model, frames, sure),
            share=shares(take, model, frames),
        )
        return HumPlan(self, operator_, findings, reasons, model=model)


@dataclass(frozen=True)
class HumPlan(Plan):
    """A plan that remembers the waveform, so that the silence can go through with the same."""

    model: HumModel | None = None


def _table(model: HumModel, mains_hz: float) -> list[dict[str, Any]]:
    """One row a harmonic: its frequency, level and the standard deviation of the level."""
    rows = []
    for index, harmonic in enumerate(model.harmonics):
        amplitude = np.abs(model.amplitudes[:, index])
        channel = int(np.argmax(amplitude))
        size = float(amplitude[channel])
        rows.append(
            {
                "harmonic": harmonic,
                "hz": round(harmonic * mains_hz, 3),
                "level_dbfs": round(float(20 * np.log10(max(size, 1e-12))), 2),
                "sd_db": round(8.686 * float(model.sd[channel, index]) / max(size, 1e-12), 2),
            }
        )
    return rows
