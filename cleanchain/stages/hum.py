"""Hum: the mains out, the instrument left in."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal

from cleanchain.audio.recall import Recall
from cleanchain.audio.source import Source
from cleanchain.errors import SettingError
from cleanchain.measure import hum_in_take, line_path
from cleanchain.measure.hum import HumModel, learn_silence
from cleanchain.measure.mains import NOMINAL_HZ, find_candidates
from cleanchain.operators.base import Identity
from cleanchain.operators.comb import Comb
from cleanchain.operators.planned import Planned
from cleanchain.stages.base import Plan, Stage
from cleanchain.stages.hum_doubts import (
    NOT_KEPT,
    OUTGROWN,
    doubtful_lines,
    doubtful_words,
    notes_or_hum,
    unlike_hum,
)
from cleanchain.stages.hum_findings import absent_words, along_path, among_notes, eased_words
from cleanchain.stages.hum_followed import Followed
from cleanchain.stages.hum_following import follow
from cleanchain.stages.hum_lines import follow_lines, followed, lines_out
from cleanchain.stages.hum_reference import channel_of, follow_reference, open_reference

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
        "track" follows phase and level of the hum, whose waveform the silence shows, or else the
        take, and subtracts it; "notch" is a plain comb of constant width at the harmonics that
        are there.
    reference : str or None, optional
        Where the hum is recorded without the instrument, at the same time as the take: a file as
        long as the take, or ``channel 2`` of the take. The mains are then followed there.
    """

    name: ClassVar[str] = "hum"
    mains_hz: float | None = None
    method: Literal["track", "notch"] = "track"
    reference: str | None = None

    def __post_init__(self) -> None:
        if self.mains_hz is not None and self.mains_hz not in NOMINAL_HZ:
            raise SettingError(
                f"mains of {self.mains_hz:g} Hz are not looked for",
                where=self.name,
                fix="Give 50Hz, 60Hz or auto; the exact frequency is measured.",
            )
        if self.method not in ("track", "notch"):
            raise SettingError(f"no method {self.method!r}", where=self.name)
        if self.reference is not None and (
            not self.reference.strip() or channel_of(self.reference) == 0
        ):
            raise SettingError(
                f"{self.reference!r} is no reference",
                where=self.name,
                fix='Name a file, or a channel of the take counted from 1, such as "channel 2".',
            )

    @property
    def reference_is_file(self) -> bool:
        """Whether the reference is a file, which belongs to one take only."""
        return self.reference is not None and channel_of(self.reference) is None

    def _design(self, take: Source, silence: Source | None) -> Plan:
        model = None
        if silence is not None:
            model = _LEARNED.of(silence, self._nominal(), lambda: self._learn(silence))
            if model is None:
                return self._none()
        if self.reference is None:
            return self._from_the_take(take) if model is None else self._along(take, model)
        reference = open_reference(self.reference, take)
        found = follow_reference(take, reference, model, self._nominal())
        if isinstance(found, str):
            alone = self._from_the_take(take) if model is None else self._along(take, model)
            words = f"{found}: the mains are followed in the take alone"
            return replace(alone, reasons={**alone.reasons, "reference": words})
        findings = {"followed_in": reference.name}
        if model is None:
            findings["learned_from"] = "take, along the reference"
        return self._planned(take, found, findings)

    def floor_after(self, silence: Source, plan: Plan) -> Source:
        """Return the silence with the hum taken out that was taken out of the take."""
        own = (
            self._along(silence, plan.model)
            if isinstance(plan, HumPlan)
            else self.plan(silence, silence)
        )
        return silence if own.is_identity else Planned(silence, own.operator)

    def _nominal(self) -> tuple[float, ...]:
        return NOMINAL_HZ if self.mains_hz is None else (self.mains_hz,)

    def _learn(self, silence: Source) -> HumModel | None:
        for candidate in find_candidates(silence, self._nominal()):
            model = learn_silence(silence, candidate)
            if model is not None:
                return model
        return None

    def _none(self, reason: str = "no mains hum found") -> Plan:
        findings: dict[str, Any] = {"mains_hz": None, "harmonics": [], "learned_from": None}
        return Plan(self, Identity(), findings, {"mains_hz": reason})

    def _along(self, take: Source, model: HumModel) -> Plan:
        """Follow the waveform that the silence showed through the take."""
        return self._planned(take, follow(take, model), {})

    def _planned(
        self,
        take: Source,
        path: Followed,
        more: dict[str, Any],
        doubtful: list[dict[str, Any]] | None = None,
    ) -> Plan:
        """Plan along a path that was found."""
        model = path.model
        if not path.is_heard:
            return self._none(
                "what else sounds on its lines hides the hum of the silence: nothing is taken out"
                if path.is_hidden
                else "the hum of the silence is not in the take"
            )
        if doubtful is None:
            doubtful = doubtful_lines(take, path.mains_hz, model.harmonics)
        findings = along_path(path) | {"doubtful": doubtful} | more
        reasons = absent_words(path) | doubtful_words(doubtful, path.mains_hz)
        if self.method == "track":
            reasons |= eased_words(path)
            return HumPlan(self, path.operator(), findings, reasons, model=model, path=path)
        comb = Comb.at(path.mains_hz, model.harmonics, NOTCH_HZ, take.rate_hz)
        reasons["method"] = comb.words()
        return HumPlan(self, comb, findings, reasons, model=model, path=path)

    def _from_the_take(self, take: Source) -> Plan:
        """Learn the lines from the take's own gaps."""
        learned = [
            found
            for candidate in find_candidates(take, self._nominal())
            if (found := hum_in_take.learn(take, candidate)) is not None
        ]
        if not learned:
            return self._none()
        model, doubt = min(learned, key=lambda found: bool(found[1]))
        if doubt:
            return self._none(notes_or_hum(model, doubt))
        frames, phase, seen = followed(take, model)
        steady, loud = hum_in_take.behaves(seen, phase, model), hum_in_take.outgrown(model)
        left = [(model.keep(~steady), NOT_KEPT), (model.keep(loud & steady), OUTGROWN)]
        sure = steady & ~loud
        if not sure.any():
            return self._none(notes_or_hum(model, f"what is steady is {OUTGROWN}"))
        seen_there = model.harmonics
        if not sure.all():
            model, seen = model.keep(sure), seen[..., sure]
            frames = replace(frames, harmonics=model.harmonics)
        heard = line_path.presence(seen, model)
        mains_hz = frames.mains_hz + line_path.mean_offset_hz(phase, frames, heard)
        doubtful = [row for lines, why in left for row in unlike_hum(lines, mains_hz, why)]
        doubtful += doubtful_lines(take, mains_hz, seen_there)
        reasons = {"learned_from": "learned from the take itself, without a silence: less sure"}
        path = follow_lines(take, model, mains_hz)
        if path is not None and path.is_steady:
            plan = self._planned(take, path, {"learned_from": "take"}, doubtful)
            return replace(plan, reasons={**plan.reasons, **reasons})
        findings = among_notes(model, mains_hz, line_path.spread_hz(phase, frames))
        findings["doubtful"] = doubtful
        if self.method == "track":
            reasons["unsteady"] = (
                "the hum keeps no waveform: each of its lines is followed by itself"
            )
            return Plan(self, lines_out(take, model, frames, phase, seen), findings, reasons)
        comb = Comb.at(mains_hz, model.harmonics, NOTCH_HZ, take.rate_hz)
        return Plan(self, comb, findings, reasons | {"method": comb.words()})


@dataclass(frozen=True, kw_only=True)
class HumPlan(Plan):
    """A plan that remembers the waveform and its path, so that others can go along with it.

    Parameters
    ----------
    model : HumModel
        What the silence showed, or else the take.
    path : Followed
        The take along its mains.
    """

    model: HumModel
    path: Followed
