"""Whether a take was recorded with the floor of a preset."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.measure.floor_seen import BandLevels, Seen, band_levels, floor_seen, floors_apart
from cleanchain.measure.gain_moved import agreement
from cleanchain.measure.mains import find_candidates
from cleanchain.operators.base import check_same_format
from cleanchain.presets.floor import Floor
from cleanchain.stages.hum import Hum
from cleanchain.threads import helpers

Reals = NDArray[np.float64]
Verdict = Literal["fits", "unknown", "warned", "refused"]

#: A floor this far away is told, and this far away is another floor, dB (the design's choice).
WARN_DB, REFUSE_DB = 1.5, 3.0
#: What chance explains does not count: so many standard deviations.
CHANCE_SD = 2.5
#: Third octaves that are looked at together.
_WIDTH = 3
#: Hum and hiss moved alike if they did within this, dB; without hum so many bands must agree.
_ALIKE_DB, _MOST_BANDS = 1.0, 0.8
#: Lines that a comb must show to be taken for the mains of a take.
_FEWEST_LINES = 3
_ORDER: tuple[Verdict, ...] = ("fits", "unknown", "warned", "refused")


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
class Gain:
    """What hum and hiss together tell of the gain.

    Parameters
    ----------
    moved : bool or None
        None where they do not agree.
    move_db : float or None
        By how much.
    words : str
        What it is known from.
    """

    moved: bool | None
    move_db: float | None
    words: str


@dataclass(frozen=True)
class Fit:
    """Whether a take was recorded with the floor of a preset.

    Parameters
    ----------
    findings : tuple of Finding
        All that was compared.
    gain : Gain
        Whether it was moved.
    """

    findings: tuple[Finding, ...]
    gain: Gain

    @property
    def verdict(self) -> Verdict:
        """The worst of all verdicts."""
        return max((finding.verdict for finding in self.findings), key=_ORDER.index)

    def as_data(self) -> dict[str, Any]:
        """Return it as plain data."""
        move_db = self.gain.move_db
        return {
            "verdict": self.verdict,
            "gain_moved": self.gain.moved,
            "gain_move_db": None if move_db is None else round(move_db, 2),
            "reasons": {"gain_moved": self.gain.words},
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


def levels_of(floor: Floor) -> list[BandLevels]:
    """Measure every channel of a floor, for `check_fit`."""
    return _levels(floor.silence, floor)


def _levels(source: Source, floor: Floor) -> list[BandLevels]:
    mains_hz = floor.mains_hz or None
    harmonics = floor.harmonics.tolist()
    with helpers(2) as pool:
        return list(
            pool.map(
                lambda channel: band_levels(source, channel, mains_hz, harmonics),
                range(source.channels),
            )
        )


def check_fit(floor: Floor, take: Source, levels: list[BandLevels] | None = None) -> Fit:
    """Compare a floor with what is seen between the notes of a take.

    Parameters
    ----------
    floor : Floor
        Of the preset.
    take : Source
        Rests help; without any, bands in which notes never cease cannot be compared.
    levels : list of BandLevels, optional
        Of the floor, where they are known.

    Raises
    ------
    FitError
        If rate or channels differ: then nothing can be compared, or cleaned.
    """
    fix = "Record a silence with the take's settings and tune a preset to it."
    check_same_format(floor.silence, take, fix)
    seen = [
        floor_seen(one, other)
        for one, other in zip(levels or levels_of(floor), _levels(take, floor), strict=True)
    ]
    return _fit(_mains(floor, take), seen)


def compare_floors(one: Floor, other: Floor) -> Fit:
    """Compare the floors of two presets, of equal rate and channels."""
    if one.mains_hz and other.mains_hz and abs(one.mains_hz - other.mains_hz) > 2.0:
        words = f"mains of {other.mains_hz:.0f} Hz, the preset's are {one.mains_hz:.0f} Hz"
        mains = Finding("mains", "refused", words)
    else:
        mains = Finding("mains", "fits", _mains_words(other.mains_hz or None))
    pairs = zip(levels_of(one), _levels(other.silence, one), strict=True)
    return _fit(mains, [floors_apart(a, b) for a, b in pairs])


def _fit(mains: Finding, seen: list[Seen | None]) -> Fit:
    findings, gains = [mains], []
    for number, channel in enumerate(seen, 1):
        prefix = f"channel {number}: " if len(seen) > 1 else ""
        if channel is None or channel.clear.sum() < _WIDTH:
            words = f"{prefix}notes leave too little of the floor to be compared"
            findings.append(Finding("floor", "unknown", words))
            continue
        findings += _compare(channel, prefix)
        gains.append(_gain(channel))
    known = [gain for gain in gains if gain.moved is not None]
    unknown = gains[0] if gains else Gain(None, None, "too little of the floor is seen")
    return Fit(tuple(findings), known[0] if known else unknown)


def _compare(seen: Seen, prefix: str) -> list[Finding]:
    """Compare one channel as a whole, and over each octave of it."""
    change, variance = seen.change_db[seen.clear], seen.sd_db[seen.clear] ** 2
    named = [band for band, clear in zip(seen.bands, seen.clear, strict=True) if clear]
    level, sd = _mean(change, variance)
    off = _beyond(level, sd)
    found = [Finding("level", _verdict(off), prefix + _words(level, "as a whole"), off)]
    pieces = [
        (*_mean(change[at : at + _WIDTH], variance[at : at + _WIDTH]), at)
        for at in range(change.size - _WIDTH + 1)
    ]
    worst, sd, at = max(pieces, key=lambda piece: abs(_beyond(piece[0], piece[1])))
    off = _beyond(worst, sd)
    # The whole range that is off alike, for the words.
    alike = [p[2] for p in pieces if abs(p[0]) > abs(worst) / 2 and p[0] * worst > 0]
    first = last = at
    while first - 1 in alike:
        first -= 1
    while last + 1 in alike:
        last += 1
    last += _WIDTH - 1
    while abs(change[first]) < abs(worst) / 2:
        first += 1
    while abs(change[last]) < abs(worst) / 2:
        last -= 1
    where = f"from {named[first].name_hz:g} Hz to {named[last].name_hz:g} Hz"
    return [*found, Finding("shape", _verdict(off), prefix + _words(worst, where), off)]


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


def _gain(seen: Seen) -> Gain:
    """Tell from lines and hiss, which only a gain moves alike, whether it was moved."""
    hiss = agreement(seen.change_db[seen.clear], seen.sd_db[seen.clear] ** 2)
    if seen.line_change_db.size >= 2:
        hum_db = float(np.median(seen.line_change_db))
        if hiss is not None and abs(hiss.move_db - hum_db) < _ALIKE_DB:
            moved = abs(hiss.move_db) >= WARN_DB
            return Gain(moved, hiss.move_db, f"hum {hum_db:+.1f} dB, hiss {hiss.move_db:+.1f} dB")
        if abs(hum_db) < _ALIKE_DB:
            return Gain(False, hum_db, f"the hum stands as it did, to {abs(hum_db):.1f} dB")
        return Gain(None, None, f"hum {hum_db:+.1f} dB, and the hiss otherwise")
    if hiss is None or hiss.parts < _MOST_BANDS * hiss.of:
        return Gain(None, None, "no hum to compare, and the hiss not alike in all bands")
    words = f"{hiss.parts} of {hiss.of} bands of the hiss agree; there is no hum to compare"
    return Gain(abs(hiss.move_db) >= WARN_DB, hiss.move_db, words)


def _mains(floor: Floor, take: Source) -> Finding:
    """Look for the preset's hum in the take, and for another."""
    if not floor.mains_hz:
        found_hz = Hum().plan(take).findings["mains_hz"]
        if found_hz is None:
            return Finding("mains", "fits", _mains_words(None))
        words = f"hum of {found_hz:.2f} Hz, but the preset knows none: it will stay"
        return Finding("mains", "warned", words)
    nominal_hz = 50.0 if floor.mains_hz < 55.0 else 60.0
    own_hz = Hum(mains_hz=nominal_hz).plan(take, floor.silence).findings["mains_hz"]
    if own_hz is not None:
        return Finding("mains", "fits", _mains_words(own_hz))
    other_hz = Hum(mains_hz=110.0 - nominal_hz).plan(take).findings["mains_hz"]
    if other_hz is None:
        best = find_candidates(take)[:1]
        if best and len(best[0].lines) >= _FEWEST_LINES and _far(best[0].mains_hz, nominal_hz):
            other_hz = best[0].mains_hz
    if other_hz is not None:
        words = f"mains of {110.0 - nominal_hz:.0f} Hz, the preset's are {nominal_hz:.0f} Hz"
        return Finding("mains", "refused", words)
    words = f"the preset's hum of {nominal_hz:.0f} Hz is not in the take"
    return Finding("mains", "warned", words)


def _far(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) > 5.0


def _mains_words(mains_hz: float | None) -> str:
    return "no hum in either" if mains_hz is None else f"mains of {mains_hz:.2f} Hz in both"
