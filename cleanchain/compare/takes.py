"""Takes of one moment: how they lie against each other, and what they share, band by band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from cleanchain.audio.source import Source
from cleanchain.compare.placing import LEAST_S, LOOK_S, align_all, place_of
from cleanchain.compare.signal_to_noise import Heard, SnrDifference, heard, snr_difference
from cleanchain.errors import InputError
from cleanchain.measure.alignment import Alignment
from cleanchain.measure.band_powers import measure_floors
from cleanchain.measure.bands import Band, band_weights, bands
from cleanchain.measure.coherence import no_coherence_threshold, squared_coherence
from cleanchain.measure.differences import THIRD_SHARE, Differences, decide
from cleanchain.measure.levels import Estimates
from cleanchain.measure.loudness import measure_loudness
from cleanchain.measure.moved import Moved
from cleanchain.measure.own_noise import (
    STRETCHES,
    Known,
    Shared,
    coherence_in,
    level_difference,
    own_noise_of_three,
    own_noise_of_two,
    share,
    shared_to_rest,
    weights_of,
)
from cleanchain.measure.spectrum import frame_for, measure_spectrum

Reals = NDArray[np.float64]

#: Seconds that are looked at for what is shared.
_SHARED_S = 120.0
#: Share of bins that takes of one moment have coherent, and that only chance and hum have.
_COHERENT_SHARE, _NOTHING_SHARED = 0.25, 0.01


@dataclass(frozen=True, eq=False)
class TakesResult:
    """Takes of one moment against the first of them.

    Parameters
    ----------
    names : tuple of str
        What they are called.
    places : tuple of Alignment
        Where every take after the first lies.
    aligned : tuple of Source
        All takes on the first one's clock, turned upright, at the first one's loudness.
    level_match_db, level_residue_db : tuple of (float or None)
        Gain that brings each take after the first to the first one's K-weighted loudness, and
        what is still missing after it.
    bands : tuple of Band
        Third octaves.
    differences : tuple of Differences
        Levels of every take after the first, less that of the first.
    coherence : tuple of ndarray of shape (bands,)
        Squared coherence of each with the first.
    shared_to_rest : tuple of Known
        What they share over the rest of both together.
    own_noise : tuple of Known or None
        Of three takes, each one's; of two, that of both where their gains match; else None.
    mismatch : ndarray or None
        Of the gains of two, as a power ratio less 1.
    snr : SnrDifference or None
        With a silence of each of two takes.
    """

    names: tuple[str, ...]
    places: tuple[Alignment, ...]
    aligned: tuple[Source, ...]
    level_match_db: tuple[float | None, ...]
    level_residue_db: tuple[float | None, ...]
    bands: tuple[Band, ...]
    differences: tuple[Differences, ...]
    coherence: tuple[Reals, ...]
    shared_to_rest: tuple[Known, ...]
    own_noise: tuple[Known, ...] | None
    mismatch: Reals | None
    snr: SnrDifference | None


def compare_takes(
    takes: Sequence[Source],
    silences: Sequence[Source] = (),
    places: Sequence[Alignment] | None = None,
) -> TakesResult:
    """Compare takes of one channel each, recorded at once.

    Parameters
    ----------
    takes : sequence of Source
        Two or more, of one rate.
    silences : sequence of Source, optional
        A silence of each of two takes, at the same gain.
    places : sequence of Alignment, optional
        Where the takes after the first lie, where that is known.

    Raises
    ------
    InputError
        If they overlap by less than four seconds.
    """
    if places is None:
        places = [place_of(takes[0], take) for take in takes[1:]]
    moved = align_all(takes, places)
    match, residue, level = _match(moved)
    rate_hz = takes[0].rate_hz
    frames = min(moved[0].frames, int(_SHARED_S * rate_hz))
    waves = np.concatenate([one.read(0, frames) for one in moved])
    shown = tuple(band for band in bands() if band.high_hz <= rate_hz / 2)
    found, coherent, rest = [], [], []
    for other in range(1, len(takes)):
        shared = share(waves[[0, other]], rate_hz)
        weights = weights_of(shared, shown)
        if not _coherent(shared, _NOTHING_SHARED):
            raise InputError(
                f"holds nothing of what {takes[0].name} holds",
                where=takes[other].name,
                fix="Name takes of one moment, or say what else they are with --kind.",
            )
        found.append(_differences(shared, weights, shown))
        coherence, known = shared_to_rest(shared, weights)
        coherent.append(coherence)
        rest.append(known)
    own, mismatch = _own_noise(waves, rate_hz, shown)
    families, _ = decide(found)
    snr = None
    if silences:
        pair = share(waves[:2], rate_hz)
        same = coherence_in(pair, weights_of(pair, shown))(pair.whole())
        heard_by = _heard(moved[:2], silences)
        snr = snr_difference(heard_by[0], heard_by[1], same)
        if snr is not None:
            marked, _ = decide([snr.thirds, snr.octaves])
            snr = replace(snr, thirds=marked[0], octaves=marked[1])
    return TakesResult(
        tuple("ABCDEFGH"[: len(takes)]),
        tuple(places),
        tuple(level),
        match,
        residue,
        shown,
        tuple(families),
        tuple(coherent),
        tuple(rest),
        own,
        mismatch,
        snr,
    )


def one_moment(a: Source, b: Source) -> Alignment | None:
    """Return where a take lies if both hold the same moment: much of their spectrum is coherent."""
    if min(a.frames, b.frames) < LEAST_S * a.rate_hz:
        return None
    place = place_of(a, b)
    moved = align_all([a, b], [place])
    if moved[0].frames < LEAST_S * a.rate_hz:
        return None
    frames = min(moved[0].frames, int(LOOK_S * a.rate_hz))
    waves = np.concatenate([one.read(0, frames) for one in moved])
    return place if _coherent(share(waves, a.rate_hz), _COHERENT_SHARE) else None


def _coherent(shared: Shared, part: float) -> bool:
    """Whether more than a part of the bins of the first two are coherent beyond chance."""
    limit = no_coherence_threshold(shared.averages, 1e-3)
    return bool((squared_coherence(shared.whole()) > limit).mean() > part)


def _match(
    moved: Sequence[Source],
) -> tuple[tuple[float | None, ...], tuple[float | None, ...], list[Source]]:
    """Bring takes to the first one's loudness, and see what is still missing."""
    loudness = [measure_loudness(one).integrated_lufs for one in moved]
    match: list[float | None] = []
    residue: list[float | None] = []
    out = [moved[0]]
    for one, loud in zip(moved[1:], loudness[1:], strict=True):
        if loudness[0] is None or loud is None or not isinstance(one, Moved):
            match.append(None)
            residue.append(None)
            out.append(one)
            continue
        gain_db = loudness[0] - loud
        level = replace(one, gain=one.gain * 10 ** (gain_db / 20))
        after = measure_loudness(level).integrated_lufs
        match.append(gain_db)
        residue.append(None if after is None else after - loudness[0])
        out.append(level)
    return tuple(match), tuple(residue), out


def _differences(shared: Shared, weights: Reals, shown: Sequence[Band]) -> Differences:
    """Levels of the second less those of the first, by how they differ from stretch to stretch."""
    level, sd = level_difference(shared, weights)
    sd = np.maximum(sd, 1e-9)
    dof = STRETCHES - 1
    reach = float(stdtrit(dof, 0.975)) * sd
    low, centre, high = np.array([(one.low_hz, one.centre_hz, one.high_hz) for one in shown]).T
    return Differences(
        low,
        centre,
        high,
        level,
        level - reach,
        level + reach,
        sd,
        2 * stdtr(dof, -np.abs(level) / sd),
        THIRD_SHARE,
        np.zeros(level.size, dtype=bool),
    )


def _own_noise(
    waves: Reals, rate_hz: int, shown: Sequence[Band]
) -> tuple[tuple[Known, ...] | None, Reals | None]:
    if len(waves) == 3:
        shared = share(waves, rate_hz)
        return tuple(own_noise_of_three(shared, weights_of(shared, shown))), None
    if len(waves) == 2:
        shared = share(waves, rate_hz)
        noise, mismatch = own_noise_of_two(shared, weights_of(shared, shown))
        return ((noise,) if np.isfinite(noise.level_db).any() else None), mismatch
    return None, None


def _heard(moved: Sequence[Source], silences: Sequence[Source]) -> list[Heard]:
    """Return what each take holds over its own silence."""
    floors = measure_floors(silences)
    out = []
    for one, floor in zip(moved, floors, strict=True):
        frame = min(frame_for(one.frames, one.rate_hz), floor.spectrum.frame_frames)
        spectrum = measure_spectrum(one, frame, 0.75)
        edges = tuple((band.low_hz, band.high_hz) for band in floor.bands)
        weights = band_weights(edges, spectrum.psd.shape[1], spectrum.bin_hz)
        power = (weights @ spectrum.psd[0]) * spectrum.bin_hz
        # Of one and the same moment the music itself is no chance: only its length counts.
        variance = 2 * power**2 / spectrum.sum_dof(weights)
        quiet = heard(floor, (floor,))
        out.append(Heard(floor.bands, Estimates(power, variance), quiet.floor))
    return out
