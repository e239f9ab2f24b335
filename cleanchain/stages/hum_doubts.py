"""Lines near mains harmonics that do not behave like hum: told, and left alone."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.measure.line_path import LinesModel
from cleanchain.operators.harmonics import HarmonicFrames, turned_back

#: Harmonics that are looked at, mains periods of a look, and how many looks a take gets.
_HARMONICS, _PERIODS, _LOOKS = 12, 64, 24
#: How near a line must be, Hz, and how far the floor beside it is looked for.
_NEAR_HZ, _BESIDE_HZ = 1.0, (5.0, 20.0)
#: Power of a line over the floor beside it, and the part of the looks that must show it.
_STANDS_OUT, _OFTEN = 20.0, 0.25
#: Range of its level, 10 to 90 % of all looks, from which a line comes and goes, dB.
_UNSTEADY_DB = 10.0
_MOST_ROWS = 6
#: Why lines are doubtful that do not behave as the others do, and those that `outgrown` marks.
NOT_KEPT, OUTGROWN = "keeps neither phase nor level", "far louder than the lines around it"
#: Fewer lines than this that keep to each other are not worth a word.
_FEW = 3


def doubtful_lines(take: Source, mains_hz: float, hum: Collection[int]) -> list[dict[str, Any]]:
    """Find lines of a take that lie near a harmonic which the hum does not have.

    Parameters
    ----------
    take : Source
        What is to be cleaned.
    mains_hz : float
        Its mean mains frequency.
    hum : collection of int
        Harmonics that the hum has.

    Returns
    -------
    list of dict
        The loudest first: harmonic, Hz, level in peak dBFS where it is loud (the 90 % quantile of
        all looks), and why it is doubtful.
    """
    highest = min(_HARMONICS, int(0.45 * take.rate_hz / mains_hz))
    numbers = tuple(h for h in range(1, highest + 1) if h not in hum)
    frames = HarmonicFrames(take.rate_hz, mains_hz, numbers)
    size = _PERIODS * frames.hop
    if not numbers or take.frames < size:
        return []
    starts = np.unique(np.linspace(0, take.frames - size, _LOOKS).astype(int)).tolist()
    looks = np.stack([take.read(start, start + size) for start in starts])
    power, away_hz, clear = _look(frames, looks)
    rows: list[dict[str, Any]] = []
    for index, harmonic in enumerate(numbers):
        shown = clear[:, index] & (np.abs(away_hz[:, index]) <= _NEAR_HZ)
        if shown.sum() < max(_OFTEN * len(starts), 2):
            continue
        low, high = 10 * np.log10(np.quantile(power[:, index], (0.1, 0.9)) + 1e-20)
        unsteady = high - low > _UNSTEADY_DB
        hz = harmonic * mains_hz + float(np.median(away_hz[shown, index]))
        rows.append(
            {
                "harmonic": harmonic,
                "hz": round(hz, 2),
                "level_dbfs": round(float(high), 1),
                "why": "grows and fades with the notes" if unsteady else "not in the silence",
            }
        )
    return sorted(rows, key=lambda row: -row["level_dbfs"])[:_MOST_ROWS]


def unlike_hum(lines: LinesModel, mains_hz: float, why: str) -> list[dict[str, Any]]:
    """Return rows of lines of a take that are doubtful for a reason."""
    level = np.abs(lines.amplitudes).max(axis=0, initial=1e-10)
    return [
        {
            "harmonic": harmonic,
            "hz": round(harmonic * mains_hz, 2),
            "level_dbfs": round(float(20 * np.log10(size)), 1),
            "why": why,
        }
        for harmonic, size in zip(lines.harmonics, level, strict=True)
    ]


def doubtful_words(rows: list[dict[str, Any]], mains_hz: float) -> dict[str, str]:
    """Say which lines were left as doubtful."""
    if not rows:
        return {}
    nominal = round(mains_hz / 10) * 10
    told = ", ".join(f"{row['harmonic']} x {nominal} Hz ({row['why']})" for row in rows)
    return {"doubtful": f"left alone as doubtful: what sounds near {told}"}


def notes_or_hum(lines: LinesModel, doubt: str) -> str:
    """Say that lines of a take may be those of a hum, or of a note, and what would tell."""
    if len(lines.harmonics) < _FEW:
        return "no mains hum found"
    told = ", ".join(f"{harmonic}" for harmonic in lines.harmonics[:_MOST_ROWS])
    return (
        f"lines {told} of {lines.mains_hz:.2f} Hz keep their phase as those of a hum do, but "
        f"{doubt}: a held note can look the same, and they are left alone; record a silence, "
        "which tells"
    )


def _look(
    frames: HarmonicFrames, looks: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Return power, distance from the harmonic in Hz, and whether a line stands out.

    Each is of shape (looks, harmonics), of looks of shape (looks, channels, samples).
    """
    hann = np.hanning(_PERIODS + 2)[1:-1].astype(np.float32)
    seen = frames.fit_single(looks) * turned_back(frames.cycles(0, _PERIODS), frames.harmonics)
    spectra = np.fft.fft(seen * hann[:, None], 4 * _PERIODS, axis=2) / hann.sum()
    power = (spectra.real**2 + spectra.imag**2).max(axis=1).astype(np.float64)
    hz = np.fft.fftfreq(4 * _PERIODS, frames.period_s)
    near = np.abs(hz) <= 2 * _NEAR_HZ
    beside = (np.abs(hz) >= _BESIDE_HZ[0]) & (np.abs(hz) <= _BESIDE_HZ[1])
    floor = np.median(power[:, beside], axis=1) + 1e-20
    best = np.where(near[:, None], power, 0.0).argmax(axis=1)
    peak = np.take_along_axis(power, best[:, None], axis=1)[:, 0]
    return peak, hz[best], peak > _STANDS_OUT * floor
