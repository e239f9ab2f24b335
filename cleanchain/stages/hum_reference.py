"""How the hum stage follows the mains on a reference: a dummy pickup or a spare lead."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from cleanchain.audio.channels import OneChannel
from cleanchain.audio.files import open_source
from cleanchain.audio.source import Excerpt, Source
from cleanchain.errors import FitError, InputError
from cleanchain.measure.hum import HumModel, leak_of, learn_silence
from cleanchain.measure.hum_along import find_offset, learn_along, offset_steps
from cleanchain.measure.hum_cells import cells_along, some_at_a_time
from cleanchain.measure.hum_levels import levels_of, noise_of
from cleanchain.measure.hum_periods import periods_of
from cleanchain.measure.mains import HIGHEST_HZ, find_candidates
from cleanchain.operators.harmonics import Reals
from cleanchain.stages.hum_easing import eased
from cleanchain.stages.hum_followed import UNSTEADY, Followed
from cleanchain.stages.hum_following import follow
from cleanchain.stages.hum_places import broken

#: Seconds of the reference that its waveform is learned from, and at how many places.
_LEARN_S, _PLACES = 8.0, 4
#: Part of its highest level below which the reference hums no more.
_SILENT = 0.05
#: Nats by which a course of the level must suit the take better than another to be clearly so.
_CLEARLY = 6.0


def channel_of(reference: str) -> int | None:
    """Return the number of ``channel 2`` and the like, None where a file is meant."""
    match = re.fullmatch(r"channel\s*(\d+)", reference.strip(), re.IGNORECASE)
    return int(match[1]) if match else None


def open_reference(reference: str, take: Source) -> Source:
    """Open the reference of a take.

    Parameters
    ----------
    reference : str
        A file, or ``channel 2`` of the take.
    take : Source
        What it was recorded with.

    Raises
    ------
    FitError
        If the take has no such channel, or the file has another rate.
    InputError
        If the file cannot be read.
    """
    number = channel_of(reference)
    if number is not None:
        if number > take.channels:
            raise FitError(
                f"has {take.channels} channel(s); channel {number} is named as the reference",
                where=take.name,
                fix="Name a channel that is there, or a file.",
            )
        return OneChannel(take, number - 1, f"channel {number} of {take.name}")
    if not Path(reference).exists():
        raise InputError(
            "there is no such file",
            where=reference,
            fix="Name a file, or a channel of the take: 'channel 2'.",
        )
    source = open_source(Path(reference))
    if source.rate_hz != take.rate_hz:
        raise FitError(
            f"has {source.rate_hz} Hz, but {take.name} has {take.rate_hz}",
            where=source.name,
            fix="Record the reference together with the take.",
        )
    return source


def check_reference(reference: str, take: Source) -> None:
    """Refuse a reference that was not recorded together with a take; see `open_reference`."""
    source = open_reference(reference, take)
    if source.frames != take.frames:
        raise FitError(
            f"has {source.frames} frames, but {take.name} has {take.frames}",
            where=source.name,
            fix="Record the reference together with the take and cut neither.",
        )


def follow_reference(
    take: Source, reference: Source, model: HumModel | None, nominal_hz: Sequence[float]
) -> Followed | str:
    """Follow the mains on a reference, and find how the hum of the take lies to them.

    Parameters
    ----------
    take : Source
        What is to be cleaned.
    reference : Source
        Hum and no instrument, recorded together with the take; any number of channels.
    model : HumModel or None
        The waveform that the silence showed; None learns it in the take, along the path.
    nominal_hz : sequence of float
        Mains frequencies to look for.

    Returns
    -------
    Followed or str
        The take along the mains of the reference; or why it cannot be followed there.

    Notes
    -----
    The path of the phase comes from the reference alone. What is left to find in the take is one
    turn of the whole waveform, for all of the take together, and its level: no note moves the path.
    The level follows the course that it has on the reference where the take bears that out.
    """
    if reference.frames != take.frames:
        return f"{reference.name} is not as long as the take, sample by sample"
    heard = _learn(reference, tuple(nominal_hz))
    if heard is None:
        return f"no mains hum was found in {reference.name}"
    path = follow(reference, heard)
    if not path.is_heard:
        return f"the hum of {reference.name} cannot be followed"
    highest = int(min(HIGHEST_HZ, 0.45 * take.rate_hz) / path.mains_hz)
    lines = tuple(range(1, highest + 1)) if model is None else model.harmonics
    frames = replace(path.frames, harmonics=lines)
    periods = periods_of(take, frames)
    hop = frames.hop
    cells = cells_along(periods, path.phase, [round(jump / hop) for jump in path.jumps])
    if model is None:
        model = learn_along(
            cells, path.mains_hz, heard.mains_sd_hz, heard.harmonics, leak_of(path.wander_hz)
        )
        if model is None:
            return f"no hum of the take keeps in step with {reference.name}"
        kept = np.isin(lines, model.harmonics)
        frames = replace(frames, harmonics=model.harmonics)
        cells, periods = cells.keep(kept), periods.keep(model.harmonics)
    quiet = (model.noise + UNSTEADY * np.abs(model.amplitudes) ** 2)[:, None]
    noise = (cells.beside + quiet).astype(np.float32)
    course = _course(path)
    offset = find_offset(cells, model.amplitudes, noise, np.minimum(course, 1.0))
    if offset is None:
        return f"the hum of the take is not in step with that of {reference.name}"
    phase = path.phase + offset
    for _ in range(4):
        level = levels_of(cells, model.amplitudes, phase, noise)
        noise = noise_of(cells, model.amplitudes, level, phase, quiet)
        turn, out = offset_steps(cells, model.amplitudes, level, noise, phase)
        phase = phase + float(np.clip(turn, -0.1, 0.1))
    if out.any():
        return f"the hum of the take runs out of step with that of {reference.name}"
    free = Followed(
        model, frames, periods, cells, phase, noise, path.jumps, path.breaks, path.fades
    )
    free = broken(free, take)
    bound = replace(free, course=course)
    # Where the reference falls silent its course is believed unless the take clearly says no.
    more = _CLEARLY if course.min() == 0.0 else -_CLEARLY
    return eased(bound if _misfit(bound) < _misfit(free) + more else free, take)


def _course(path: Followed) -> Reals:
    """Course of the level on a reference, one number a cell, 1 where it is as usual."""
    bins = path.loudness.clip(min=0.0)
    say = (np.abs(path.model.amplitudes) ** 2).sum(axis=1)
    level = say @ bins / say.sum()
    cells = 0.5 * (level[::2] + level[1::2])
    heard = cells[cells > _SILENT * cells.max(initial=0.0)]
    course: Reals = np.where(cells > _SILENT * heard.max(initial=1e-9), cells, 0.0)
    return course / float(np.median(heard))


def _misfit(path: Followed) -> float:
    """Weighted squares of what is left in the take, in nats."""
    level = 0.5 * (path.loudness[:, ::2] + path.loudness[:, 1::2])
    misfit = 0.0
    for some in some_at_a_time(path.cells.count):
        hum = path.model.amplitudes[:, None] * level[:, some, None]
        left = path.cells.part(some).stilled(path.phase[some]) - hum
        misfit += float((np.abs(left) ** 2 / path.noise[:, some]).sum())
    return misfit


def _learn(reference: Source, nominal_hz: tuple[float, ...]) -> HumModel | None:
    """Learn the waveform of the reference where it is clearest."""
    size = min(round(_LEARN_S * reference.rate_hz), reference.frames)
    starts = np.unique(np.linspace(0, reference.frames - size, _PLACES).astype(int)).tolist()
    found: list[tuple[float, HumModel]] = []
    for start in starts:
        part = Excerpt(reference, [(start, start + size)], reference.name)
        for candidate in find_candidates(part, nominal_hz):
            model = learn_silence(part, candidate)
            if model is not None:
                clear = np.abs(model.amplitudes) / np.maximum(model.sd, 1e-15)
                found.append((float(np.log1p(clear.max(axis=0)).sum()), model))
                break
    return max(found, key=lambda pair: pair[0])[1] if found else None
