"""Settings chosen for one build from its captures, each with the reason for it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from cleanchain.audio.source import Source
from cleanchain.cost_limit import search_depth
from cleanchain.errors import FitError
from cleanchain.ledger import Entry
from cleanchain.measure.bands import Band
from cleanchain.measure.hearing import MARGIN_DB, Hearing, heard_by_power
from cleanchain.measure.levels import Estimates, Levels, measure_levels
from cleanchain.presets.floor import Floor
from cleanchain.presets.passport import learn
from cleanchain.presets.schema import Passport, Preset
from cleanchain.stages.base import Stage
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from cleanchain.stages.loudness import Loudness

#: A high-pass of order 4 costs 0.1 dB where its corner lies at this part: (10^0.01 - 1)^(1/8).
_CORNER_PART = 0.625
_LOWEST_CORNER_HZ = 20.0
#: Above this kurtosis ratio the residual chirps (common practice, no source).
_CHIRPS = 3.0


@dataclass(frozen=True, eq=False)
class Tuned:
    """What was chosen, and why.

    Parameters
    ----------
    stages : tuple of Stage
        The chain.
    reasons : dict of (int, str) to str
        Words by the number of the stage, from 0, and the name of the setting.
    notes : tuple of str
        Other things to know.
    floor : Floor
        What the stages will learn from.
    passport : Passport
        Without the hash of the floor's file.
    """

    stages: tuple[Stage, ...]
    reasons: dict[tuple[int, str], str]
    notes: tuple[str, ...]
    floor: Floor
    passport: Passport

    def preset(self, about: str, notes: str, floor_sha256: str | None) -> Preset:
        """Return it as a preset."""
        passport = replace(self.passport, floor_sha256=floor_sha256 or "", notes=notes)
        return Preset(self.stages, about, passport)


def tune(
    silence: Source,
    take: Source | None = None,
    listening: Source | None = None,
    most_cost_db: float = 1.0,
) -> Tuned:
    """Choose the settings for a build.

    Parameters
    ----------
    silence : Source
        The build, nobody playing.
    take : Source, optional
        A typical take; the gate's depth is chosen by what it costs there.
    listening : Source, optional
        The build hearing white noise, at the silence's gain.
    most_cost_db : float, optional
        Largest loss of the instrument that the gate may cause anywhere; see the ledger.

    Raises
    ------
    FitError
        If rates or channels differ.
    InputError
        If a capture is too short or holds nothing.
    """
    for other in (take, listening):
        if other is not None and (other.rate_hz, other.channels) != (
            silence.rate_hz,
            silence.channels,
        ):
            raise FitError(
                f"has {other.rate_hz} Hz and {other.channels} channel(s), the silence "
                f"{silence.rate_hz} Hz and {silence.channels}",
                where=other.name,
                fix="Record all captures of a build with the same settings.",
            )
    floor, passport = learn(silence)
    corner_hz, why_corner = _corner(silence, take, listening)
    stages: list[Stage] = [HighPass(corner_hz)]
    reasons = {(0, "corner_hz"): why_corner}
    notes = []
    if floor.mains_hz:
        reasons[len(stages), "mains_hz"] = (
            f"{floor.mains_hz:.2f} Hz in the silence, harmonics "
            + " ".join(str(harmonic) for harmonic in floor.harmonics)
        )
        stages.append(Hum(mains_hz=50.0 if floor.mains_hz < 55.0 else 60.0))
    else:
        notes.append("no mains hum in the silence: no hum stage")
    depth_db, why_depth = _depth(take, floor, stages, most_cost_db)
    reasons[len(stages), "depth_db"] = why_depth
    stages.append(Gate(depth_db))
    reasons[len(stages), "target_lufs"] = "EBU R 128"
    reasons[len(stages), "ceiling_dbtp"] = "EBU R 128"
    stages.append(Loudness())
    if passport.seconds < silence.frames / silence.rate_hz - 0.01:
        notes.append(f"{passport.seconds:g} s from the middle of the silence are kept")
    return Tuned(tuple(stages), reasons, tuple(notes), floor, passport)


def _corner(silence: Source, take: Source | None, listening: Source | None) -> tuple[float, str]:
    """Return a corner below all that the build hears, and why."""
    found: list[tuple[Band, str]] = []
    for channel in range(silence.channels):
        floor = measure_levels(silence, channel)
        if listening is not None:
            heard = measure_levels(listening, channel)
            band = _lowest(floor, heard_by_power(heard, floor))
            if band is not None:
                found.append((band, "hears the played noise"))
        if take is not None:
            band = _lowest(floor, _power_above(measure_levels(take, channel), floor))
            if band is not None:
                found.append((band, "plays in the take"))
    if not found:
        default = HighPass()
        return default.corner_hz, "not measured: no --take and no --stimulus, or nothing in them"
    band, what = min(found, key=lambda pair: pair[0].low_hz)
    corner_hz = max(float(f"{_CORNER_PART * band.low_hz:.2g}"), _LOWEST_CORNER_HZ)
    return corner_hz, (
        f"the build {what} from the band of {band.name_hz:g} Hz up, {MARGIN_DB:g} dB above its "
        "floor; this costs at most 0.1 dB there"
    )


def _lowest(floor: Levels, heard: Estimates) -> Band | None:
    return Hearing(floor.bands, heard, floor.band_power, floor.band_hiss.power).usable_from()


def _power_above(take: Levels, floor: Levels) -> Estimates:
    """Power of what is played, notes and all, above the floor."""
    one, other = take.band_power, floor.band_power
    return Estimates(one.power - other.power, one.variance + other.variance)


def _depth(
    take: Source | None, floor: Floor, before: list[Stage], most_cost_db: float
) -> tuple[float, str]:
    """Return the deepest gate within the limit, and why."""
    deepest = Gate().depth_db  # a deeper one leaves no even floor
    if take is None:
        return deepest, "not measured: no --take to weigh its cost on"
    found = search_depth(take, floor.silence, before, Gate(deepest, max_cost_db=most_cost_db))
    if found.cost_db is None:
        why = found.entry.reasons.get("cost_db", "no basis")
        return found.depth_db, f"usual; what it costs cannot be told from the take ({why})"
    told = _tells(found.entry)
    if found.cost_db > most_cost_db:
        return found.depth_db, f"the least that is tried; even so it {told}"
    words = f"it {told}, at most {most_cost_db:g} dB are allowed"
    if found.wished is not None:
        words += f"; at {deepest:g} dB it {_tells(found.wished)}"
    return found.depth_db, words


def _tells(entry: Entry) -> str:
    if entry.cost_db is None or entry.cost_db < 0.05:
        told = "costs nothing that is found"
    else:
        told = f"costs {entry.cost_db:.1f} dB ({entry.cost_where})"
    return told + (" and chirps in the pauses" if (entry.musical_noise or 0) > _CHIRPS else "")
