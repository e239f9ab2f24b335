"""Find the stretches of a take in which nobody plays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Source
from cleanchain.units import format_time

#: Length of the pieces that are judged, s.
PIECE_S = 0.1
#: Shortest stretch, and shortest sum of stretches, that serve as a silence capture, s.
SHORTEST_STRETCH_S = 0.5
SHORTEST_SUM_S = 1.0
#: The stretch must lie this far below the loudest tenth of the take, dB.
BELOW_PLAYING_DB = 12.0
#: Most that a band of a silence may differ from piece to piece, one standard deviation, dB.
STEADY_DB = 1.5
#: Kept clear at both ends of a stretch: the fade of a note, the hand before an attack, s.
MARGIN_S = 0.1
_BANDS = 8


@dataclass(frozen=True)
class QuietStretches:
    """What was found.

    Parameters
    ----------
    ranges : tuple of (int, int)
        First frame and the frame after the last of each stretch; empty where none serves.
    seconds : float
        Length of all stretches together.
    reason : str
        Why none serves; empty where one does.
    """

    ranges: tuple[tuple[int, int], ...]
    seconds: float
    reason: str = ""

    def words(self, rate_hz: int) -> str:
        """Say which stretches, such as ``0:00.1-0:02.3, 0:18.0-0:19.9``."""
        return ", ".join(
            f"{format_time(start / rate_hz)}-{format_time(stop / rate_hz)}"
            for start, stop in self.ranges
        )


def find_quiet(take: Source) -> QuietStretches:
    """Find the quietest steady stretches of a take.

    Parameters
    ----------
    take : Source
        Any length; it is read once, in blocks.

    Returns
    -------
    QuietStretches
        Stretches of half a second or more, a second or more in all, in which the level of eight
        bands stays the same but for the spread that noise has of itself, and which lie 12 dB or
        more below the playing. Digital silence is never one of them.
    """
    bands, digital = _levels(take)
    pieces = bands.shape[1]
    if pieces < SHORTEST_SUM_S / PIECE_S:
        return QuietStretches((), 0.0, "the take is shorter than a second")
    whole = bands.sum(axis=0)
    level = 10 * np.log10(np.maximum(whole, 1e-20))
    heard = ~digital
    if not heard.any():
        return QuietStretches((), 0.0, "the take is digital silence")
    quiet_level = _floor_level(level, heard)
    playing = float(np.percentile(level[heard], 90))
    if playing - quiet_level < BELOW_PLAYING_DB:
        return QuietStretches(
            (),
            0.0,
            f"the quietest steady stretch lies only {max(playing - quiet_level, 0.0):.0f}"
            " dB below the playing",
        )
    candidate = heard & (level < quiet_level + 3.0)
    margin = round(MARGIN_S / PIECE_S)
    found = []
    for start, stop in _stretches(candidate):
        first = start + (margin if start else 0)
        last = stop - (margin if stop < pieces else 0)
        if (last - first) * PIECE_S >= SHORTEST_STRETCH_S and _steady(bands[:, first:last]):
            found.append((first, last))
    seconds = sum(last - first for first, last in found) * PIECE_S
    if seconds < SHORTEST_SUM_S:
        return QuietStretches(
            (), seconds, f"only {seconds:.1f} s of it are steady and quiet, 1.0 s are needed"
        )
    step = round(PIECE_S * take.rate_hz)
    return QuietStretches(tuple((a * step, b * step) for a, b in found), seconds)


def _levels(take: Source) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Power of eight bands in each piece, (bands, pieces), and which pieces hold only zeros."""
    step = round(PIECE_S * take.rate_hz)
    edges = np.geomspace(0.002, 0.5, _BANDS + 1) * step
    edges[0] = 1.0
    bins = np.unique(np.round(edges).astype(int))
    powers, zeros = [], []
    for block in take.blocks(64 * step):
        count = block.shape[1] // step
        if count == 0:
            continue
        frames = block[:, : count * step].reshape(block.shape[0], count, step)
        spectra = np.fft.rfft(frames * np.hanning(step))
        power = (spectra.real**2 + spectra.imag**2).sum(axis=0) / step
        powers.append(np.add.reduceat(power, bins[:-1], axis=-1).T)
        # A piece with a dead run inside is no noise floor either.
        zeros.append((frames == 0).all(axis=0).mean(axis=-1) > 0.25)
    if not powers:
        return np.empty((_BANDS, 0)), np.empty(0, dtype=bool)
    return np.concatenate(powers, axis=1), np.concatenate(zeros)


def _floor_level(level: NDArray[np.float64], heard: NDArray[np.bool_]) -> float:
    """Level of the quietest half second, dB."""
    width = round(SHORTEST_STRETCH_S / PIECE_S)
    worst = np.where(heard, level, np.inf)
    if worst.size < width:
        return float(worst.min())
    runs = np.lib.stride_tricks.sliding_window_view(worst, width).max(axis=1)
    return float(runs.min())


def _stretches(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(int), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _steady(bands: NDArray[np.float64]) -> bool:
    """Whether no band rises, falls or spreads more than noise does over the stretch."""
    level = 10 * np.log10(np.maximum(bands, 1e-20))
    half = level.shape[1] // 2
    drift = level[:, :half].mean(axis=1) - level[:, -half:].mean(axis=1)
    # The lowest bands hold a few bins only, so their own spread is allowed for.
    return bool((np.abs(drift) < STEADY_DB + 12.0 / np.sqrt(level.shape[1])).all()) and bool(
        np.median(level.std(axis=1)) < STEADY_DB
    )
