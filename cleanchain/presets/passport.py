"""The passport of a floor, and whether a take was recorded with it."""

from __future__ import annotations

import datetime
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import Source
from cleanchain.errors import FitError, InputError
from cleanchain.measure.bands import bands
from cleanchain.measure.gain_moved import GainMove, compare_floors
from cleanchain.measure.hum import HumModel, learn_silence
from cleanchain.measure.levels import Levels, band_estimates, measure_levels
from cleanchain.measure.mains import NOMINAL_HZ, find_candidates
from cleanchain.presets.floor import Floor, kept_of, make_floor
from cleanchain.presets.schema import Passport
from cleanchain.silences import choose_silence
from cleanchain.stages.hum import Hum
from cleanchain.units import rms_dbfs

Reals = NDArray[np.float64]
Verdict = Literal["fits", "unknown", "warned", "refused"]

#: A floor this far away is told, and this far away is another floor, dB (the design's choice).
WARN_DB, REFUSE_DB = 1.5, 3.0
#: What chance explains does not count: so many standard deviations.
CHANCE_SD = 2.5
#: Lowest third octave that is compared: below it the mains' skirts hide the hiss.
_FROM_HZ = 90.0
#: A band in which lines stand this far above the hiss says little of the hiss (power ratio).
_LINED = 10.0
#: Third octaves that are looked at together.
_WIDTH = 3
_ORDER: tuple[Verdict, ...] = ("fits", "unknown", "warned", "refused")
_PER_NEPER = 10 / np.log(10)


@dataclass(frozen=True)
class Finding:
    """One thing that was compared.

    Parameters
    ----------
    what : str
        "mains", "level", "shape" or "floor".
    verdict : str
        "fits", "unknown" (it could not be compared), "warned" or "refused".
    words : str
        What was found.
    off_db : float or None
        How far away it is beyond chance, where it is a level.
    """

    what: str
    verdict: Verdict
    words: str
    off_db: float | None = None


@dataclass(frozen=True)
class Fit:
    """Whether a take was recorded with the floor of a preset.

    Parameters
    ----------
    findings : tuple of Finding
        All that was compared.
    gain : GainMove or None
        How everything common moved; None where nothing common was found.
    """

    findings: tuple[Finding, ...]
    gain: GainMove | None = None

    @property
    def verdict(self) -> Verdict:
        """The worst of all verdicts."""
        return max((finding.verdict for finding in self.findings), key=_ORDER.index)

    def as_data(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "verdict": self.verdict,
            "gain_moved_db": None if self.gain is None else round(self.gain.move_db, 2),
            "findings": [
                {
                    "what": finding.what,
                    "verdict": finding.verdict,
                    "off_db": None if finding.off_db is None else round(finding.off_db, 2),
                    "words": finding.words,
                }
                for finding in self.findings
            ],
        }


def learn(silence: Source) -> tuple[Floor, Passport]:
    """Learn a floor and its passport from a silence; the passport lacks the hash of the file.

    Raises
    ------
    InputError
        If the silence is too short for a spectrum, or holds nothing.
    """
    kept = kept_of(silence)
    levels = levels_of_all(kept)
    model = hum_of(kept)
    first = levels[0]
    density = np.mean([level.split.hiss for level in levels], axis=0)
    shown = tuple(b for b in bands(63.0, 16_000.0, 1) if b.high_hz <= kept.rate_hz / 2)
    shape = band_estimates(first.spectrum, density, shown).power
    hum = [level.hum_power for level in levels]
    passport = Passport(
        made=datetime.date.today(),
        floor_sha256="",
        rate_hz=kept.rate_hz,
        channels=kept.channels,
        seconds=round(kept.frames / kept.rate_hz, 3),
        hiss_dbfs=tuple(_level(level.hiss_power) for level in levels),
        hum_dbfs=() if model is None else tuple(_level(power) for power in hum),
        octaves_hz=tuple(band.name_hz for band in shown),
        shape_dbfs=tuple(_level(float(power)) for power in shape),
        mains_hz=None if model is None else round(model.mains_hz, 3),
    )
    third_dbfs = np.array([[_level(float(p)) for p in one.band_hiss.power] for one in levels])
    third_hz = np.array([band.centre_hz for band in first.bands])
    return make_floor(kept, third_hz, third_dbfs, model), passport


def hum_of(silence: Source) -> HumModel | None:
    """Return the waveform of the hum of a silence, None where there is none."""
    for candidate in find_candidates(silence, NOMINAL_HZ):
        model = learn_silence(silence, candidate)
        if model is not None:
            return model
    return None


def levels_of_all(source: Source) -> list[Levels]:
    """Measure every channel of a silence."""
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(lambda n: measure_levels(source, n), range(source.channels)))


def check_fit(silence: Capture, take: Source, levels: list[Levels] | None = None) -> Fit:
    """Compare a floor with what is heard where nobody plays in a take.

    Parameters
    ----------
    silence : Capture
        The floor of the preset.
    take : Source
        Its quiet gaps are looked for; without any only the mains are compared.
    levels : list of Levels, optional
        Of the silence, where they are known.

    Raises
    ------
    FitError
        If rate or channels differ: then nothing can be compared, or cleaned.
    """
    for unit, here, there in (
        ("Hz", take.rate_hz, silence.rate_hz),
        ("channel(s)", take.channels, silence.channels),
    ):
        if here != there:
            raise FitError(
                f"has {here} {unit}, the preset's floor {there}",
                where=take.name,
                fix="Record a silence with the take's settings and tune a preset to it.",
            )
    gaps = choose_silence(take).source
    known = levels or levels_of_all(silence)
    heard = None
    if gaps is not None:
        try:
            heard = levels_of_all(gaps)
        except InputError:
            heard = None
    if heard is None:
        words = "nobody rests in this take for a second: the floor could not be compared"
        mains = Hum().plan(take).findings["mains_hz"]
        theirs = next((one.split.mains_hz for one in known if one.split.mains_hz), None)
        return Fit((_mains(theirs, mains), Finding("floor", "unknown", words)))
    return _compare_all(known, heard)


def compare_learned(one: Capture, other: Capture) -> Fit:
    """Compare the floors of two presets, of equal rate and channels."""
    return _compare_all(levels_of_all(one), levels_of_all(other))


def _compare_all(floor: list[Levels], other: list[Levels]) -> Fit:
    findings, moves = [], []
    for a, b in zip(floor, other, strict=True):
        channel = f"channel {a.channel + 1}: " if len(floor) > 1 else ""
        findings += _compare(a, b, channel)
        moves.append(compare_floors(a, b))
    return Fit(tuple(findings), next((move for move in moves if move is not None), None))


def _compare(floor: Levels, gaps: Levels, channel: str) -> list[Finding]:
    """Compare one channel."""
    count = min(len(floor.bands), len(gaps.bands))
    change, variance = _changes(floor, gaps, count)
    low = np.array([band.low_hz for band in floor.bands[:count]])
    lined = [
        one.band_power.power[:count] > _LINED * one.band_hiss.power[:count] for one in (floor, gaps)
    ]
    used = (low >= _FROM_HZ * 0.98) & np.isfinite(change) & ~lined[0] & ~lined[1]
    mains = _mains(floor.split.mains_hz, gaps.split.mains_hz, channel)
    if used.sum() < _WIDTH:
        words = f"{channel}too little hiss between the lines to compare"
        return [mains, Finding("floor", "unknown", words)]
    change, variance = change[used], variance[used]
    named = [band for band, good in zip(floor.bands, used, strict=False) if good]
    level, sd = _mean(change, variance)
    off = _beyond(level, sd)
    found = [mains, Finding("level", _verdict(off), f"{channel}{_words(level, 'as a whole')}", off)]
    pieces = [
        (*_mean(change[at : at + _WIDTH], variance[at : at + _WIDTH]), at)
        for at in range(change.size - _WIDTH + 1)
    ]
    worst, sd, at = max(pieces, key=lambda piece: abs(_beyond(piece[0], piece[1])))
    off = _beyond(worst, sd)
    # The whole range that is off alike, for the words.
    alike = [p[2] for p in pieces if abs(_beyond(p[0], p[1])) > abs(off) / 2 and p[0] * worst > 0]
    low_at = high_at = at
    while low_at - 1 in alike:
        low_at -= 1
    while high_at + 1 in alike:
        high_at += 1
    high_at += _WIDTH - 1
    while abs(change[low_at]) < abs(worst) / 2:
        low_at += 1
    while abs(change[high_at]) < abs(worst) / 2:
        high_at -= 1
    first, last = named[low_at].name_hz, named[high_at].name_hz
    where = f"from {first:g} Hz to {last:g} Hz"
    found.append(Finding("shape", _verdict(off), f"{channel}{_words(worst, where)}", off))
    return found


def _changes(floor: Levels, gaps: Levels, count: int) -> tuple[Reals, Reals]:
    one, other = floor.band_hiss, gaps.band_hiss
    a, b = one.power[:count], other.power[:count]
    with np.errstate(divide="ignore", invalid="ignore"):
        change = 10 * np.log10(b / a)
        variance = _PER_NEPER**2 * (one.variance[:count] / a**2 + other.variance[:count] / b**2)
    return change, variance


def _mean(change: Reals, variance: Reals) -> tuple[float, float]:
    """Mean change and its standard deviation, bands that are little known counting less."""
    weight = 1 / (variance + 0.25)
    mean = float((weight * change).sum() / weight.sum())
    return mean, float(np.sqrt((weight**2 * variance).sum()) / weight.sum())


def _beyond(change_db: float, sd_db: float) -> float:
    """Return what of a change chance does not explain."""
    return float(np.sign(change_db) * max(abs(change_db) - CHANCE_SD * sd_db, 0.0))


def _verdict(off_db: float) -> Verdict:
    size = abs(off_db)
    return "refused" if size >= REFUSE_DB else "warned" if size >= WARN_DB else "fits"


def _words(change_db: float, where: str) -> str:
    return f"hiss {change_db:+.1f} dB against the preset's, {where}"


def _mains(floor_hz: float | None, take_hz: float | None, channel: str = "") -> Finding:
    if floor_hz is None and take_hz is None:
        return Finding("mains", "fits", f"{channel}no hum in either")
    if floor_hz is None:
        words = f"{channel}hum of {take_hz:.2f} Hz, but the preset knows no hum: it will stay"
        return Finding("mains", "warned", words)
    if take_hz is None:
        return Finding("mains", "fits", f"{channel}no hum of {floor_hz:.0f} Hz in the take")
    if abs(floor_hz - take_hz) > 2.0:
        words = f"{channel}mains of {take_hz:.0f} Hz, the preset's are {floor_hz:.0f} Hz"
        return Finding("mains", "refused", words)
    return Finding("mains", "fits", f"{channel}mains of {take_hz:.2f} Hz in both")


def _level(power: float) -> float:
    return round(max(rms_dbfs(power), -200.0), 2)
