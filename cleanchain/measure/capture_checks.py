"""Whether a capture can be trusted: clipping, zeros, thumps, length, origin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.channels import bits_of
from cleanchain.audio.source import Source
from cleanchain.measure.clipping import find_clipping
from cleanchain.measure.levels import Levels
from cleanchain.measure.steep_cut import steep_cut_hz
from cleanchain.units import format_time

Reals = NDArray[np.float64]

#: Stretches in which thumps are looked for: whole periods of 50 and of 60 Hz, s.
_STRETCH_S = 0.1
#: A thump stands this many standard deviations, and dB, above the middle.
_THUMP_SD, _THUMP_DB = 7.0, 2.0
#: Zeros in a row that no converter makes, s.
_ZEROS_S = 0.01
#: A steep end of the spectrum below this speaks of lossy coding or of resampling, Hz.
_CUT_BELOW_HZ = 19_500.0
#: Degrees of freedom for an interval of +-0.5 dB at 95 %: 2 (1.96 x 4.343 / 0.5)^2.
_HALF_DB_DOF = 580.0
#: Lowest band that must be known to +-0.5 dB for a capture to be long enough, Hz.
_LONG_ENOUGH_HZ = 50.0
_MOST_TIMES = 5


@dataclass(frozen=True)
class Check:
    """What one check of one capture found.

    Parameters
    ----------
    capture, check : str
        Which capture, and what was looked at.
    passed : bool or None
        None where it could not be looked at.
    words : str
        What was found, and what to do.
    value : float or None
        The number behind it, in the unit that the words name.
    """

    capture: str
    check: str
    passed: bool | None
    words: str
    value: float | None = None


def check_capture(role: str, source: Source, levels: Levels) -> list[Check]:
    """Check one channel of a capture.

    Parameters
    ----------
    role : str
        What the capture is: "silence", "interface" and so on.
    source : Source
        The capture.
    levels : Levels
        Its levels.
    """
    scan = _scan(source, levels.channel)
    peaks = np.zeros(source.channels)
    peaks[levels.channel] = scan.peak
    bits = bits_of(source)
    step = 0.0 if bits is None else 2.0 ** (1 - bits)
    clipped = find_clipping(source, peaks, step)[levels.channel]
    told = list(dict.fromkeys(format_time(time) for time in clipped.times_s))
    times = ", ".join(told[:_MOST_TIMES])
    checks = [
        Check(
            role,
            "clipping",
            clipped.runs == 0,
            f"clipped {clipped.runs} times, first at {times}; record it again at a lower gain"
            if clipped.runs
            else "no clipped peak",
            float(clipped.runs),
        ),
        Check(
            role,
            "digital silence",
            scan.zeros_s < _ZEROS_S,
            f"holds {scan.zeros_s:.2f} s of zeros in a row; a noise floor has none"
            if scan.zeros_s >= _ZEROS_S
            else "no digital silence",
            scan.zeros_s,
        ),
        _thumps(role, scan),
    ]
    checks.append(_length(role, levels))
    cut_hz = steep_cut_hz(levels.spectrum.psd[levels.channel], levels.spectrum.bin_hz)
    cut = cut_hz is not None and cut_hz < min(_CUT_BELOW_HZ, 0.45 * source.rate_hz)
    checks.append(
        Check(
            role,
            "origin",
            not cut,
            f"its content ends steeply at {cut_hz:.0f} Hz, as lossy coding or resampling leave it"
            if cut
            else "no sign of lossy coding or resampling",
            cut_hz,
        )
    )
    return checks


@dataclass(frozen=True, eq=False)
class _Scan:
    """Peak, longest row of zeros, and level and slope of every stretch."""

    peak: float
    zeros_s: float
    level_db: Reals


def _scan(source: Source, channel: int) -> _Scan:
    stretch = max(int(_STRETCH_S * source.rate_hz), 1)
    peak, zeros, longest = 0.0, 0, 0
    before = float(source.read(0, min(1, source.frames))[channel].sum())
    rows = []
    for block in source.blocks(64 * stretch):
        wave = block[channel]
        peak = max(peak, float(np.abs(wave).max(initial=0.0)))
        if wave.all():
            longest, zeros = max(longest, zeros), 0
        elif wave.any():
            edges = np.flatnonzero(wave)
            gaps = np.diff(edges) - 1
            longest = max(longest, zeros + int(edges[0]), int(gaps.max(initial=0)))
            zeros = int(wave.size - 1 - edges[-1])
        else:
            zeros += wave.size
        slope = np.diff(wave, prepend=before)
        before = float(wave[-1])
        whole = wave.size // stretch * stretch
        if whole:
            parts = np.stack([wave[:whole], slope[:whole]]).reshape(2, -1, stretch)
            rows.append(parts.var(axis=2))
    longest = max(longest, zeros)
    square = np.concatenate(rows, axis=1) if rows else np.zeros((2, 0))
    return _Scan(peak, longest / source.rate_hz, 10 * np.log10(np.maximum(square, 1e-20)))


def _thumps(role: str, scan: _Scan) -> Check:
    if scan.level_db.shape[1] < 8:
        return Check(role, "thumps", None, "too short to look for thumps")
    middle = np.median(scan.level_db, axis=1, keepdims=True)
    away = scan.level_db - middle
    sd = 1.4826 * np.median(np.abs(away), axis=1, keepdims=True)
    loud = np.any(away > np.maximum(_THUMP_SD * sd, _THUMP_DB), axis=0)
    begins = np.diff(loud.astype(np.int8), prepend=0) == 1
    starts = np.flatnonzero(begins) * _STRETCH_S
    if starts.size == 0:
        return Check(role, "thumps", True, "steady throughout", 0.0)
    times = ", ".join(format_time(float(time)) for time in starts[:_MOST_TIMES])
    return Check(
        role,
        "thumps",
        False,
        f"something sounds at {times}; record it again, lead taped down, nobody moving",
        float(starts.size),
    )


def _length(role: str, levels: Levels) -> Check:
    # A band of width W has 18/19 of 2 W T degrees of freedom by Hann segments that overlap by half.
    widths = np.array([band.high_hz - band.low_hz for band in levels.bands])
    needed_s = _HALF_DB_DOF / (2 * 18 / 19 * widths)
    names = [band.name for band in levels.bands]
    enough = [
        band.name_hz
        for band, need in zip(levels.bands, needed_s, strict=True)
        if need > levels.seconds
    ]
    if not enough:
        return Check(role, "length", True, "every band is known to +-0.5 dB (95 %)", 0.0)
    wanted = np.array([band.name_hz >= _LONG_ENOUGH_HZ for band in levels.bands])
    more_s = float(max(needed_s[wanted].max(initial=0.0) - levels.seconds, 0.0))
    all_s = float(needed_s.max() - levels.seconds)
    place = int(np.argmax(needed_s))
    words = f"{all_s:.0f} s more would make the {names[place]} Hz band known to +-0.5 dB (95 %)"
    if more_s > 0:
        words = f"record {more_s:.0f} s more for +-0.5 dB from 50 Hz up; {words}"
    return Check(role, "length", more_s <= 0, words, all_s)
