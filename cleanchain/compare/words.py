"""What a comparison of builds says, in words and as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from cleanchain.compare.builds import PairResult
from cleanchain.compare.signal_to_noise import SnrDifference
from cleanchain.measure.bands import band_words
from cleanchain.measure.differences import Differences, seconds_to_settle
from cleanchain.measure.hum_difference import HumDifference, Power
from cleanchain.units import rms_dbfs

#: Version of the plain data.
SCHEMA = "cleanchain.compare/1"
NOTHING = "no difference found"


def builds_as_data(pairs: Sequence[PairResult], kind: str, told_by: str) -> dict[str, Any]:
    """Return compared builds as plain data, None where a number is not known.

    Parameters
    ----------
    pairs : sequence of PairResult
        From `compare_builds`.
    kind : str
        "silence" or "stimulus".
    told_by : str
        What the captures were taken for, and why.
    """
    verdicts = [_verdict(pair) for pair in pairs]
    many = len(pairs) > 1
    return {
        "schema": SCHEMA,
        "kind": kind,
        "bands": [row for pair in pairs for row in _rows(pair)],
        "octaves": [
            {"pair": pair.name, **row, "alone": bool(only)}
            for pair in pairs
            for row, only in zip(
                plain_rows(pair.octaves), alone(pair.octaves, pair.thirds).differs, strict=True
            )
        ],
        "hum": [hum_as_data(pair) for pair in pairs],
        "snr_bands": [row for pair in pairs for row in _snr_rows(pair)],
        "alignment": _alignment(pairs),
        "level_match_db": None,
        "seconds_to_settle": max(pair.settle_s for pair in pairs)
        if all(not pair.scatter for pair in pairs)
        else None,
        "verdict": "; ".join(
            f"{words} (against {pair.reference})" if many else words
            for pair, words in zip(pairs, verdicts, strict=True)
        ),
        "reasons": [told_by, *_reasons(pairs, verdicts)],
        "checks": [{"pair": pair.name, **vars(check)} for pair in pairs for check in pair.checks],
    }


def plain_rows(found: Differences) -> list[dict[str, Any]]:
    """Return differences as plain data, a dictionary a band."""
    names = ("centre_hz", "low_hz", "high_hz", "difference_db", "low_db", "high_db", "differs")
    columns = [getattr(found, name).tolist() for name in names]
    rows = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    blank = dict.fromkeys(("difference_db", "low_db", "high_db"), None)
    return [
        row if known else {**row, **blank} for row, known in zip(rows, found.known, strict=True)
    ]


def hum_as_data(pair: PairResult) -> dict[str, Any]:
    """Return the hum's difference as plain data, line by line."""
    hum = pair.hum
    if hum is None:
        return {"pair": pair.name, "mains_hz": None, "differs": False, "lines": []}
    return {
        "pair": pair.name,
        "mains_hz": hum.mains_hz,
        "reference_dbfs": _level(hum.a),
        "level_dbfs": _level(hum.b),
        "difference_db": hum.difference_db,
        "low_db": hum.low_db,
        "high_db": hum.high_db,
        "differs": pair.hum_differs,
        "lines": [
            {
                "harmonic": number,
                "reference_dbfs": _level(a),
                "level_dbfs": _level(b),
                "reference_sd_db": 4.343 * a.sd / a.power if a.there else None,
                "level_sd_db": 4.343 * b.sd / b.power if b.there else None,
            }
            for number, a, b in hum.lines
        ],
    }


def _level(power: Power) -> float | None:
    return rms_dbfs(power.power) if power.there else None


def _rows(pair: PairResult) -> list[dict[str, Any]]:
    levels = [[rms_dbfs(power) for power in one.power.tolist()] for one in pair.powers]
    return [
        {
            "pair": pair.name,
            **row,
            "reference_dbfs": a if row["difference_db"] is not None else None,
            "level_dbfs": b if row["difference_db"] is not None else None,
        }
        for row, a, b in zip(plain_rows(pair.thirds), levels[0], levels[1], strict=True)
    ]


def _snr_rows(pair: PairResult) -> list[dict[str, Any]]:
    rows = [] if pair.snr is None else snr_as_data(pair.snr)
    return [{"pair": pair.name, **row} for row in rows]


def snr_as_data(snr: SnrDifference) -> list[dict[str, Any]]:
    """Return differences of signal-to-noise as plain data, a dictionary a band."""
    parts: dict[str, Any] = {}
    for name in ("more_sensitive", "quieter"):
        value = getattr(snr, f"{name}_db")
        reach = 1.96 * getattr(snr, f"{name}_sd_db")
        parts |= {f"{name}_db": value, f"{name}_low_db": value - reach}
        parts |= {f"{name}_high_db": value + reach}
    return [
        {**row, **{name: float(column[place]) for name, column in parts.items()}}
        for place, row in enumerate(plain_rows(snr.thirds))
    ]


def _alignment(pairs: Sequence[PairResult]) -> dict[str, Any] | None:
    """Where the stimulus of A lies in that of B, of the first pair that has one."""
    places = [pair.stimulus for pair in pairs if pair.stimulus is not None]
    if not places or not places[0].found:
        return None
    place = places[0]
    return {"lag_frames": place.lag_frames, "polarity": None, "drift_ppm": place.drift_ppm}


def _verdict(pair: PairResult) -> str:
    name = pair.build
    if pair.with_stimulus:
        if pair.gain_moved:
            return "not known: the gain was moved between silence and stimulus"
        if pair.snr is None:
            return "not known: no band hears the stimulus 1 dB above both floors"
        return _words(name, pair.better, pair.worse, "better", "worse")
    signs = [np.sign(one.difference_db[one.differs]) for one in (pair.thirds, pair.octaves)]
    sign = np.concatenate([*signs, [hum_sign(pair.hum)] if pair.hum_differs else []])
    return _words(name, bool((sign < 0).any()), bool((sign > 0).any()), "quieter", "louder")


def _words(name: str, down: bool, up: bool, good: str, bad: str) -> str:
    if down and up:
        return f"{name} is {good} in some bands and {bad} in others"
    if down or up:
        return f"{name} is {good if down else bad}"
    return NOTHING


def hum_sign(hum: HumDifference | None) -> float:
    """Return 1 where B has more hum, -1 where less, 0 where there is none."""
    return 0.0 if hum is None else float(np.sign(hum.b.power - hum.a.power))


def _reasons(pairs: Sequence[PairResult], verdicts: Sequence[str]) -> list[str]:
    first = pairs[0]
    reasons = [
        "Taken for granted: the same gain, place and lead for all; what can be checked of it was "
        "checked."
    ]
    if first.with_stimulus:
        reasons.append("Taken for granted: the stimulus at the same level from the same place.")
        reasons.append("Hum counts as noise in signal-to-noise.")
    else:
        reasons.append("No stimulus captures: a quieter build may only be less sensitive.")
    for pair, verdict in zip(pairs, verdicts, strict=True):
        reasons += [f"{pair.name}: {words}" for words in _pair_reasons(pair, verdict)]
    return reasons


def _pair_reasons(pair: PairResult, verdict: str) -> list[str]:
    words = []
    if pair.scatter is None:
        words.append("one capture of each, so what changes between captures is not counted.")
    elif pair.scatter:
        words.append("repeats scatter by more than chance; their own spread decides.")
    else:
        words.append("repeats scatter as chance does; they count as one long capture each.")
    if pair.stimulus is not None:
        found = (
            "both stimulus captures hold the same noise"
            f" (clocks differ by {pair.stimulus.drift_ppm:+.1f} ppm)."
            if pair.stimulus.found
            else "the stimulus captures do not hold the same noise; only their level is compared."
        )
        words.append(found)
    for one in (pair.thirds, alone(pair.octaves, pair.thirds)):
        words += [f"hiss {text}" for text in where(one)]
    if pair.snr is not None:
        words += [f"signal-to-noise {text}" for text in where(pair.snr.thirds)]
    hidden = [band_words(hz) for hz in pair.thirds.centre_hz[~pair.thirds.known]]
    if hidden:
        words.append(f"hum hides the hiss in the bands around {', '.join(hidden)}.")
    if pair.hum_differs and pair.hum is not None:
        words.append(f"hum {hum_words(pair.hum)}.")
    words += [
        f"gain of the {check.capture} {check.words}."
        for check in pair.checks
        if check.check == "gain" and check.passed
    ]
    words += [
        f"{check.capture}: {check.words}."
        for check in pair.checks
        if check.passed is False and check.check != "length"
    ]
    if verdict == NOTHING or (pair.with_stimulus and not pair.octaves.differs.any()):
        words += _settling(pair)
    return words


def _settling(pair: PairResult) -> list[str]:
    if pair.scatter:
        return ["more repeats would narrow the intervals, longer ones would not."]
    words = [
        f"captures of {_length(pair.settle_s)} each would show 1 dB in any octave 9 times in 10."
    ]
    octaves = pair.octaves
    if octaves.differs.any():
        return words
    needed = seconds_to_settle(octaves, pair.seconds, octaves.difference_db)
    near = int(np.argmin(needed))
    seen = f"{octaves.difference_db[near]:+.2f} dB around {band_words(octaves.centre_hz[near])}"
    words.append(
        f"the clearest difference seen, {seen}, would need {_length(needed[near])} to be told "
        "from chance."
    )
    return words


def _length(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 600 else f"{seconds / 60:.0f} min"


def alone(octaves: Differences, thirds: Differences) -> Differences:
    """Return octaves with only those marked in which no third octave is."""
    inside = [
        bool(thirds.differs[(thirds.low_hz >= low * 0.99) & (thirds.high_hz <= high * 1.01)].any())
        for low, high in zip(octaves.low_hz, octaves.high_hz, strict=True)
    ]
    return replace(octaves, differs=octaves.differs & ~np.array(inside, dtype=bool))


def where(found: Differences) -> list[str]:
    """Say over which stretches of frequency bands differ, and by how much."""
    out = []
    for sign, word in ((-1.0, "lower"), (1.0, "higher")):
        hit = found.differs & (sign * found.difference_db > 0)
        edges = np.flatnonzero(np.diff(np.concatenate(([0], hit.astype(int), [0]))))
        for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            part = np.sort(np.abs(found.difference_db[start:stop]))
            span = (
                f"{part[0]:.1f}"
                if part[-1] - part[0] < 0.05
                else f"{part[0]:.1f} to {part[-1]:.1f}"
            )
            edges_hz = f"{_hz(found.low_hz[start])} to {_hz(found.high_hz[stop - 1])}"
            out.append(f"{word} by {span} dB, {edges_hz}.")
    return out


def _hz(value: float) -> str:
    return f"{value:.0f} Hz" if value < 1000 else f"{value / 1000:.3g} kHz"


def hum_words(hum: HumDifference) -> str:
    """Say how the hum differs."""
    if hum.difference_db is not None:
        return f"{hum.difference_db:+.1f} dB ({hum.low_db:+.1f} to {hum.high_db:+.1f})"
    if hum.high_db is not None:
        return f"lower by {-hum.high_db:.1f} dB at least"
    if hum.low_db is not None:
        return f"higher by {hum.low_db:.1f} dB at least"
    return "not found in either"
