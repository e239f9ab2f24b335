"""Builds against builds: what differs, by how much, and whether chance explains it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from cleanchain.audio.source import Source
from cleanchain.errors import FitError, InputError
from cleanchain.measure.alignment import Alignment, align
from cleanchain.measure.coherence import (
    averages,
    coherence_bias,
    cross_spectra,
    no_coherence_threshold,
    squared_coherence,
)
from cleanchain.measure.differences import (
    BandPowers,
    Differences,
    band_powers,
    differences,
    holm,
    repeated_differences,
    seconds_to_settle,
)
from cleanchain.measure.spectrum import measure_spectrum

Reals = NDArray[np.float64]

SCHEMA = "cleanchain.compare/1"
#: Chance that a build is wrongly called better or worse, over all bands; far below that of the
#: bands' own marks, because the word stays when the figures are forgotten.
_VERDICT_ALARM = 1e-4
#: A stimulus must stand this far above the floor, in power, for a signal-to-noise ratio.
_LEAST_RATIO = 10**0.1
#: Seconds looked at for lag and coherence, and the share of bins that takes at once have coherent.
_LOOK_S, _COHERENT_SHARE = 60.0, 0.25
_SIZE = 4096


def compare_silences(
    a: Sequence[Source],
    b: Sequence[Source],
    stimulus_a: Source | None = None,
    stimulus_b: Source | None = None,
) -> dict[str, Any]:
    """Compare silence captures of two builds, one or several of each.

    Parameters
    ----------
    a, b : sequence of Source
        Silence captures; with two or more of each their own spread is used.
    stimulus_a, stimulus_b : Source, optional
        Captures of one and the same stimulus; only with both a signal-to-noise ratio is told.

    Returns
    -------
    dict
        Plain data with the keys of the command's JSON.
    """
    check_same_rate([*a, *b, *(s for s in (stimulus_a, stimulus_b) if s is not None)])
    floors_a, floors_b = [powers(s) for s in a], [powers(s) for s in b]
    repeated = min(len(a), len(b)) > 1
    if not repeated:
        found = differences(floors_a[0], floors_b[0])
    else:
        found = repeated_differences(floors_a, floors_b)
    reasons = ["Taken for granted: the same gain, place and lead for A and B."]
    if not repeated:
        reasons.append("One capture of each: what changes between captures is not counted.")
    snr: list[dict[str, Any]] = []
    if stimulus_a is not None and stimulus_b is not None:
        snr, better, worse = _snr_bands(
            floors_a[0], floors_b[0], powers(stimulus_a), powers(stimulus_b)
        )
        verdict = _words(better, worse, "better", "worse", bool(snr))
        reasons.append("Taken for granted: the same stimulus at the same level for A and B.")
        if not snr:
            reasons.append("In no band does the stimulus stand 1 dB above both floors.")
    else:
        lower = bool((found.differs & (found.difference_db < 0)).any())
        higher = bool((found.differs & (found.difference_db > 0)).any())
        verdict = _words(lower, higher, "quieter", "louder", True)
        reasons.append("No stimulus captures: a quieter build may only be less sensitive.")
    if verdict == "no difference found" and not repeated:
        wanted = seconds_to_settle(floors_a[0], floors_b[0])
        reasons.append(f"{wanted:.0f} s of each would show 1 dB in the middle bands.")
    return {
        "schema": SCHEMA,
        "kind": "silence",
        "bands": _rows(found),
        "snr_bands": snr,
        "alignment": None,
        "level_match_db": None,
        "verdict": verdict,
        "reasons": reasons,
    }


def compare_takes(a: Source, b: Source) -> dict[str, Any]:
    """Compare two takes of the same moment: how they lie, and what they share, band by band."""
    check_same_rate([a, b])
    x, y, lie = aligned(a, b)
    spectra, count = cross_spectra(np.array([x, y]), _SIZE)
    independent = averages(_SIZE, count)
    coherence = squared_coherence(spectra)
    coherence = np.clip(coherence - coherence_bias(coherence, independent), 0.0, 1.0)
    frequency = np.arange(coherence.size) * a.rate_hz / _SIZE
    found = differences(powers(a), powers(b))
    rows = []
    for centre in found.centre_hz:
        inside = (frequency >= centre / 10**0.05) & (frequency < centre * 10**0.05)
        if not inside.any():
            continue
        shared = float(np.average(coherence[inside], weights=spectra[0, 0].real[inside]))
        known = shared > no_coherence_threshold(independent) and shared < 1
        rows.append(
            {
                "centre_hz": float(centre),
                "coherence": shared,
                "snr_db": float(10 * np.log10(shared / (1 - shared))) if known else None,
            }
        )
    return {
        "schema": SCHEMA,
        "kind": "at-once",
        "bands": _rows(found),
        "snr_bands": rows,
        "alignment": {
            "lag_frames": lie.lag_frames,
            "lag_ms": lie.lag_frames / a.rate_hz * 1e3,
            "polarity": lie.polarity,
            "drift_ppm": lie.drift_ppm,
        },
        "level_match_db": _level_match_db(a, b),
        "verdict": "takes of the same moment: levels of music differ, so no build is called better",
        "reasons": [
            "snr_db is the shared part over the rest of both takes together; what both pick up, "
            "hum for instance, counts as shared.",
            "Intervals of bands take the takes for steady noise, which music is not.",
        ],
    }


def is_at_once(a: Source, b: Source) -> bool:
    """Tell whether two recordings hold the same moment: much of their spectrum is coherent."""
    if a.rate_hz != b.rate_hz:
        return False
    x, y, _ = aligned(a, b)
    if x.size < 8 * _SIZE:
        return False
    spectra, count = cross_spectra(np.array([x, y]), _SIZE)
    limit = no_coherence_threshold(averages(_SIZE, count), 1e-3)
    return bool((squared_coherence(spectra) > limit).mean() > _COHERENT_SHARE)


def aligned(a: Source, b: Source) -> tuple[Reals, Reals, Alignment]:
    """Return the first minute of both, first channels, to the nearest frame, and how they lie."""
    frames = min(a.frames, b.frames, int(_LOOK_S * a.rate_hz))
    if frames < 8 * _SIZE:
        raise InputError(
            f"too short to align: {frames} frames in common", fix="Record ten seconds or more."
        )
    x, y = a.read(0, frames)[0], b.read(0, frames)[0]
    lie = align(x, y, a.rate_hz)
    shift = round(lie.lag_frames)
    x, y = (x[: frames - shift], y[shift:]) if shift >= 0 else (x[-shift:], y[: frames + shift])
    return x, lie.polarity * y, lie


def powers(source: Source) -> BandPowers:
    """Measure the third octaves of a source's first channel."""
    return band_powers(measure_spectrum(source))


def check_same_rate(sources: Sequence[Source]) -> None:
    """Refuse recordings of different sampling rates.

    Raises
    ------
    FitError
    """
    for source in sources[1:]:
        if source.rate_hz != sources[0].rate_hz:
            raise FitError(
                f"is at {source.rate_hz} Hz, {sources[0].name} at {sources[0].rate_hz} Hz",
                where=source.name,
                fix="Record both at one rate.",
            )


def _rows(found: Differences) -> list[dict[str, Any]]:
    columns = (found.centre_hz, found.difference_db, found.low_db, found.high_db, found.differs)
    names = ("centre_hz", "difference_db", "low_db", "high_db", "differs")
    return [
        dict(zip(names, (v.item() for v in row), strict=True)) for row in zip(*columns, strict=True)
    ]


def _snr_bands(
    floor_a: BandPowers, floor_b: BandPowers, heard_a: BandPowers, heard_b: BandPowers
) -> tuple[list[dict[str, Any]], bool, bool]:
    """Signal-to-noise of B less that of A where both hear the stimulus; whether better or worse.

    The signal is the stimulus capture less the floor, as powers; the variance of its logarithm is
    that of the ratio r of both, times (r / (r - 1))^2 (first order).
    """
    centre, decibels = floor_a.centre_hz, 10 / np.log(10)
    ratios = [heard_a.power / floor_a.power, heard_b.power / floor_b.power]
    variances = [
        2 / heard.dof + 2 / floor.dof for heard, floor in ((heard_a, floor_a), (heard_b, floor_b))
    ]
    known = np.all([r * np.exp(-2 * np.sqrt(v)) > _LEAST_RATIO
                    for r, v in zip(ratios, variances, strict=True)], axis=0)  # fmt: skip
    if not known.any():
        return [], False, False
    r_a, r_b = (r[known] for r in ratios)
    v_a, v_b = (v[known] for v in variances)
    difference = 10 * np.log10((r_b - 1) / (r_a - 1))
    sd = decibels * np.sqrt(v_a * (r_a / (r_a - 1)) ** 2 + v_b * (r_b / (r_b - 1)) ** 2)
    probability = 2 * ndtr(-np.abs(difference) / sd)
    quieter = 10 * np.log10(floor_a.power / floor_b.power)[known]
    differs, sure = holm(probability), holm(probability, _VERDICT_ALARM)
    rows = [
        {
            "centre_hz": float(hz),
            "difference_db": float(d),
            "low_db": float(d - 1.96 * s),
            "high_db": float(d + 1.96 * s),
            "differs": bool(mark),
            "more_sensitive_db": float(d - q),
            "quieter_db": float(q),
        }
        for hz, d, s, mark, q in zip(centre[known], difference, sd, differs, quieter, strict=True)
    ]
    return rows, bool((sure & (difference > 0)).any()), bool((sure & (difference < 0)).any())


def _words(down: bool, up: bool, good: str, bad: str, known: bool) -> str:
    if not known:
        return "not known"
    if down and up:
        return f"B is {good} in some bands and {bad} in others"
    if down or up:
        return f"B is {good if down else bad}"
    return "no difference found"


def _level_match_db(a: Source, b: Source) -> float | None:
    """Gain that brings B to A's K-weighted loudness, dB; None where one has none."""
    from cleanchain.measure.loudness import measure_loudness

    loud_a, loud_b = (measure_loudness(s).integrated_lufs for s in (a, b))
    return None if loud_a is None or loud_b is None else loud_a - loud_b
