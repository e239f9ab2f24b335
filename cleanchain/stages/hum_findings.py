"""What the hum stage says of what it found: lines before and after, where, how it may get in."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum import HumModel
from cleanchain.measure.hum_path import CAUTIONS, guess_path
from cleanchain.measure.line_path import LinesModel
from cleanchain.stages.hum_followed import Followed
from cleanchain.units import format_time

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
#: A hum at less than this part of its level, for so long, is taken for absent.
_ABSENT_LEVEL, _ABSENT_S = 0.1, 1.0
_MOST_TIMES = 6


class _Line(NamedTuple):
    harmonic: int
    frequency_hz: float
    power: float


def along_path(path: Followed) -> dict[str, Any]:
    """Return the findings on a hum whose waveform was learned from a silence."""
    model = path.model
    left = np.abs(path.left.mean(axis=1))
    noise = np.sqrt(path.noise.mean(axis=1) / path.cells.count)
    return {
        "mains_hz": round(path.mains_hz, 4),
        "mains_spread_hz": round(path.spread_hz, 4),
        "harmonics": _table(model, path.mains_hz, left, noise),
        "heard_s": _heard(path),
        "learned_from": "silence",
        **_origin(model, path.mains_hz),
    }


def among_notes(model: LinesModel, mains_hz: float, spread_hz: float) -> dict[str, Any]:
    """Return the findings on a hum that was learned from the take itself."""
    return {
        "mains_hz": round(mains_hz, 4),
        "mains_spread_hz": round(spread_hz, 4),
        "harmonics": _table(model, mains_hz),
        "learned_from": "take",
        **_origin(model, mains_hz),
    }


def absent_words(path: Followed) -> dict[str, str]:
    """Say where the hum is not in the take, if it is not everywhere."""
    heard = _heard(path)
    total_s = path.cells.count * path.cells.step_s
    if not heard or heard[0][1] - heard[0][0] > total_s - _ABSENT_S:
        return {}
    times = ", ".join(f"{format_time(start)} to {format_time(stop)}" for start, stop in heard)
    words = f"the hum sounds at {times} only; what hums elsewhere is left alone"
    return {"heard_s": words}


def eased_words(path: Followed) -> dict[str, str]:
    """Say where a hum is let go gently, and why."""
    if not path.eased:
        return {}
    rate_hz = path.frames.rate_hz
    times = ", ".join(format_time(at / rate_hz) for at in path.eased[:_MOST_TIMES])
    more = " and elsewhere" if len(path.eased) > _MOST_TIMES else ""
    words = (
        f"around {times}{more} the hum is let go gently: else a band would be louder than before"
    )
    return {"eased": words}


def _heard(path: Followed) -> list[list[float]]:
    """Return the stretches in which the hum is there, s."""
    level = path.loudness.max(axis=0)
    step_s = path.cells.step_s / 2
    there = level > _ABSENT_LEVEL
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(int)))
    stretches: list[list[float]] = []
    for start, stop in (edges.reshape(-1, 2) * step_s).tolist():
        if stretches and start - stretches[-1][1] < _ABSENT_S:
            stretches[-1][1] = round(stop, 2)
        elif stop - start >= _ABSENT_S:
            stretches.append([round(start, 2), round(stop, 2)])
    return stretches


def _table(
    model: HumModel | LinesModel,
    mains_hz: float,
    left: NDArray[np.float64] | None = None,
    noise: NDArray[np.float64] | None = None,
) -> list[dict[str, Any]]:
    """One row a harmonic, of its loudest channel: frequency, level and what is left, peak dBFS.

    What is left is the part that is still locked to the mains over the whole take; its bound is
    what chance and notes on the line alone would leave in 95 of 100 takes.
    """
    rows = []
    for index, harmonic in enumerate(model.harmonics):
        amplitude = np.abs(model.amplitudes[:, index])
        channel = int(np.argmax(amplitude))
        size = float(amplitude[channel])
        row = {
            "harmonic": harmonic,
            "hz": round(harmonic * mains_hz, 3),
            "note": _note(harmonic * mains_hz),
            "level_dbfs": _db(size),
            "sd_db": round(8.686 * float(model.sd[channel, index]) / max(size, 1e-12), 2),
        }
        if left is not None and noise is not None:
            row["left_dbfs"] = _db(float(left[channel, index]))
            row["left_bound_dbfs"] = _db(1.73 * float(noise[channel, index]))
        rows.append(row)
    return rows


def _origin(model: HumModel | LinesModel, mains_hz: float) -> dict[str, Any]:
    power = (np.abs(model.amplitudes) ** 2).sum(axis=0)
    lines = [
        _Line(harmonic, harmonic * mains_hz, float(one))
        for harmonic, one in zip(model.harmonics, power, strict=True)
    ]
    odd = sum(line.power for line in lines if line.harmonic % 2) / float(power.sum())
    guesses = guess_path(lines)
    return {
        "odd_part": round(odd, 3),
        "consistent_with": [vars(guess) for guess in guesses],
        "cautions": list(CAUTIONS) if guesses else [],
    }


def _note(hz: float) -> str:
    """Name of the nearest note of equal temperament, A4 = 440 Hz."""
    number = round(69 + 12 * float(np.log2(hz / 440.0)))
    return f"{_NAMES[number % 12]}{number // 12 - 1}"


def _db(amplitude: float) -> float:
    return round(float(20 * np.log10(max(amplitude, 1e-12))), 2)
