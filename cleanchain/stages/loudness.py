"""Loudness: one gain for the whole take, held below a ceiling of true peak."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, get_args

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import Source
from cleanchain.errors import SettingError
from cleanchain.measure.loudness import Loudness as Measured
from cleanchain.measure.loudness import Mono, loudness_together, measure_loudness
from cleanchain.operators.base import Identity
from cleanchain.operators.gain import Gain
from cleanchain.operators.planned import Planned
from cleanchain.stages.base import Plan, Stage
from cleanchain.units import db_to_amplitude, format_time, rms_dbfs

#: Targets by name: LUFS and dBTP. "mix" is for a track on its way into a mix: about -18 dBFS rms
#: and peaks below -6 dBTP. Common practice, no source.
LEVELS: dict[str, tuple[float, float]] = {"mix": (-21.0, -6.0)}
#: A rise by more than this deserves a word about the monitors, dB.
STARTLING_DB = 6.0
#: So much of the silence tells the floor's level, s.
FLOOR_S = 5.0
#: At this many LU above its noise a take holds as much noise as music.
_MUSIC_LU = 3.0


@dataclass(frozen=True)
class CommonGain:
    """One gain for takes that belong together.

    Parameters
    ----------
    gain_db : float
        What brings them together to the target, or their highest peak to the ceiling.
    shortfall_db : float
        How much of the wanted gain the ceiling does not allow; 0 or more.
    together_lufs : float
        Loudness of all of them as one programme.
    hottest : int
        Index of the take with the highest true peak.
    """

    gain_db: float
    shortfall_db: float
    together_lufs: float
    hottest: int


@dataclass(frozen=True)
class Loudness(Stage):
    """Bring a take to an integrated loudness by one gain; no limiter, no compressor.

    A take that is too short, silent, below the gate or no louder than its noise is left alone,
    with the reason in words.

    Parameters
    ----------
    target_lufs : float, optional
        Integrated loudness (ITU-R BS.1770-5) to reach, -70 to 0 LUFS. The default is that of
        EBU R 128.
    ceiling_dbtp : float, optional
        True peak that is not passed, -60 to 0 dBTP; the gain is lowered to keep it.
    mono : {"as-is", "dual"}, optional
        How a single channel counts: as it is, as ITU-R BS.1770-5 reads it, or as it sounds from
        two loudspeakers, 3.01 LU louder.
    """

    name: ClassVar[str] = "loudness"
    target_lufs: float = -23.0
    ceiling_dbtp: float = -1.0
    mono: Mono = "as-is"

    def __post_init__(self) -> None:
        if not -70.0 <= self.target_lufs <= 0.0:
            mix_lufs, _ = LEVELS["mix"]
            raise SettingError(
                f"a target of {self.target_lufs:g} LUFS is outside -70 to 0",
                where=self.name,
                fix=f"Give -23LUFS for broadcast, {mix_lufs:g}LUFS for a track that will be mixed.",
            )
        if not -60.0 <= self.ceiling_dbtp <= 0.0:
            raise SettingError(
                f"a ceiling of {self.ceiling_dbtp:g} dBTP is outside -60 to 0",
                where=self.name,
                fix="Give -1dBTP.",
            )
        if self.mono not in get_args(Mono):
            raise SettingError(
                f"mono {self.mono!r} is not known",
                where=self.name,
                fix=f"Give {' or '.join(get_args(Mono))}.",
            )

    def _design(self, take: Source, silence: Source | None) -> Plan:
        return self.plan_together([take], [silence])[0]

    def plan_together(
        self, takes: Sequence[Source], silences: Sequence[Source | None]
    ) -> list[Plan]:
        """Plan one common gain for takes that belong together, so that their balance stays.

        The target is met by all takes as one programme, the ceiling by the highest peak of all.

        Parameters
        ----------
        takes : sequence of Source
            As the earlier stages left them; rates and channels may differ.
        silences : sequence of (Source or None)
            The noise floor of each, as the earlier stages left it.

        Returns
        -------
        list of Plan
            One a take. A take that has no loudness of its own gets the common gain too; where
            none has one, all are left alone.
        """
        heard = [_hear(*pair, self.mono) for pair in zip(takes, silences, strict=True)]
        common = self.gain_for([one.found for one in heard])
        if common is None:
            return [self._left_alone(one, one.found.reason) for one in heard]
        if common.gain_db > 0 and all(one.is_noise for one in heard):
            why = (
                f"the take is not {_MUSIC_LU:g} LU louder than its silence: "
                "more gain would bring up noise, not music"
            )
            return [self._left_alone(one, why) for one in heard]
        words = {}
        if common.shortfall_db > 0.05:
            hottest = heard[common.hottest]
            whose = f" of {hottest.name}" if len(heard) > 1 else ""
            words["shortfall_db"] = (
                f"asked {self.target_lufs:g} LUFS, got {self.target_lufs - common.shortfall_db:.1f}"
                f": the peak{whose} at {format_time(hottest.found.true_peak_at_s)} sets the limit"
            )
        if common.gain_db > STARTLING_DB:
            words["gain_db"] = f"{common.gain_db:.1f} dB louder now: start your monitors low"
        more = (
            {"takes_with_this_gain": len(heard), "together_lufs": common.together_lufs}
            if len(heard) > 1
            else {}
        )
        return [self._plan(one, common.gain_db, common.shortfall_db, words, more) for one in heard]

    def gain_for(self, takes: Sequence[Measured]) -> CommonGain | None:
        """Return one gain for all takes; None where none of them has a loudness.

        Parameters
        ----------
        takes : sequence of Measured
            What `cleanchain.measure.loudness.measure_loudness` said of each.
        """
        together = loudness_together(takes)
        if together is None:
            return None
        peaks = [-np.inf if one.true_peak_dbtp is None else one.true_peak_dbtp for one in takes]
        hottest = int(np.argmax(peaks))
        wanted_db = self.target_lufs - together
        gain_db = min(wanted_db, self.ceiling_dbtp - peaks[hottest])
        return CommonGain(gain_db, wanted_db - gain_db, together, hottest)

    def _left_alone(self, heard: _Heard, why: str) -> Plan:
        return self._plan(heard, 0.0, 0.0, {"gain_db": f"left alone: {why}"}, {})

    def _plan(
        self,
        heard: _Heard,
        gain_db: float,
        shortfall_db: float,
        words: dict[str, str],
        more: dict[str, Any],
    ) -> Plan:
        found = heard.found
        findings: dict[str, Any] = {
            "integrated_lufs": found.integrated_lufs,
            "range_lu": found.range_lu,
            "true_peak_dbtp": found.true_peak_dbtp,
            "true_peak_at_s": found.true_peak_at_s,
            "gain_db": gain_db,
            "shortfall_db": shortfall_db,
            "after_lufs": _plus(found.integrated_lufs, gain_db),
            "after_true_peak_dbtp": _plus(found.true_peak_dbtp, gain_db),
            "floor_after_dbfs": _plus(heard.floor_dbfs, gain_db),
            "floor_heard_s": heard.floor_s,
            **more,
        }
        reasons = {"after_lufs": heard.words(gain_db, self.mono), **words}
        if gain_db == 0.0:
            return Plan(self, Identity(), findings, reasons)
        factor = db_to_amplitude(gain_db)
        return Plan(self, Gain(factor), findings, reasons, factor)

    def floor_after(self, silence: Source, plan: Plan) -> Source:
        """Return the silence with the take's gain."""
        return silence if plan.is_identity else Planned(silence, plan.operator)


@dataclass(frozen=True)
class _Heard:
    """What a take and the beginning of its silence measure."""

    name: str
    channels: int
    found: Measured
    floor_dbfs: float | None
    floor_lufs: float | None
    floor_s: float

    @property
    def is_noise(self) -> bool:
        """Whether more of the take is noise than music; not known without a silence."""
        loud = self.found.integrated_lufs
        return loud is None or (self.floor_lufs is not None and loud < self.floor_lufs + _MUSIC_LU)

    def words(self, gain_db: float, mono: Mono) -> str:
        """Say what the gain makes of it, the noise floor beside the loudness."""
        parts = []
        if self.found.integrated_lufs is not None:
            loud = self.found.integrated_lufs
            counted = {"as-is": "once", "dual": "as from two loudspeakers"}[mono]
            how = f" (one channel, counted {counted})" if self.channels == 1 else ""
            parts.append(f"{loud:.1f} LUFS before, {loud + gain_db:.1f} after{how}")
        if self.found.true_peak_dbtp is not None:
            parts.append(f"true peak {self.found.true_peak_dbtp + gain_db:.1f} dBTP")
        if self.floor_dbfs is not None:
            level = f"{self.floor_dbfs + gain_db:.1f} dBFS"
            parts.append(f"noise floor {level} (from {self.floor_s:.3g} s of the silence)")
        elif self.floor_s:
            parts.append("the silence is digital silence")
        return "; ".join(parts) or "no signal"


def _hear(take: Source, silence: Source | None, mono: Mono) -> _Heard:
    found = measure_loudness(take, mono)
    if silence is None or not silence.frames:
        return _Heard(take.name, take.channels, found, None, None, 0.0)
    frames = min(silence.frames, round(FLOOR_S * silence.rate_hz))
    part = Capture(silence.read(0, frames), silence.rate_hz)
    power = float(np.mean(part.samples**2))
    level_dbfs = rms_dbfs(power) if power > 0 else None
    floor_lufs = measure_loudness(part, mono).integrated_lufs
    floor_s = frames / silence.rate_hz
    return _Heard(take.name, take.channels, found, level_dbfs, floor_lufs, floor_s)


def _plus(level_db: float | None, gain_db: float) -> float | None:
    return None if level_db is None else level_db + gain_db
