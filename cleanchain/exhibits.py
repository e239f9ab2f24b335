"""What a report of a cleaning shows, measured: curves, pictures, the mains' track, passages."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.cleaning import Cleaning
from cleanchain.errors import InputError
from cleanchain.hearing_room import HearingRoom, room_of_cleaning
from cleanchain.measure.levels import Levels, measure_levels
from cleanchain.measure.spectrogram import Spectrogram, measure_spectrogram
from cleanchain.measure.traces import Trace, measure_trace
from cleanchain.operators.projection import HumProjection
from cleanchain.stages.base import Plan
from cleanchain.stages.gate import Gate

Reals = NDArray[np.float64]

#: Time over which the mains frequency is read from its phase, s, and most points of its track.
_TRACK_S, _TRACK_POINTS = 2.0, 400
#: No mains is this far from its mean; what turns faster is a jump of the phase.
_JUMP_HZ = 2.0


@dataclass(frozen=True, eq=False)
class MainsTrack:
    """Mains frequency over time, both of shape (points,); times in s."""

    time_s: Reals
    frequency_hz: Reals


@dataclass(frozen=True, eq=False)
class Exhibits:
    """What a report of a cleaning shows.

    Parameters
    ----------
    traces : mapping of str to Trace
        Spectra: "before", "after", "removed", "noise floor", where they are.
    before, after : Spectrogram
        Of the take and of the cleaned take, before the loudness gain.
    gate_db : Spectrogram or None
        Level change by the gate, dB; None without one.
    mains : MainsTrack or None
        None where no hum was followed.
    room : HearingRoom
        What can be heard.
    floor : Levels or None
        What the silence consists of, its first channel; None without a silence.
    """

    traces: Mapping[str, Trace]
    before: Spectrogram
    after: Spectrogram
    gate_db: Spectrogram | None
    mains: MainsTrack | None
    room: HearingRoom
    floor: Levels | None


def collect(cleaning: Cleaning) -> Exhibits:
    """Measure everything that a report shows beyond the ledger.

    Parameters
    ----------
    cleaning : Cleaning
        Planned and accounted for.
    """
    plan = cleaning.plan
    gate = next((k for k, step in enumerate(plan.plans) if _is_gate(step)), None)
    points = [plan.take, plan.before_gain]
    points += [] if gate is None else [plan.points[gate], plan.points[gate + 1]]
    with ThreadPoolExecutor(2) as pool:
        traces = {
            name: pool.submit(measure_trace, source) for name, source in cleaning.sources().items()
        }
        fields = {
            key: pool.submit(measure_spectrogram, source)
            for key, source in {id(source): source for source in points}.items()
        }
        floor = pool.submit(_floor, cleaning)
        room = room_of_cleaning(plan)
        shown = [fields[id(source)].result() for source in points]
        return Exhibits(
            {name: trace.result() for name, trace in traces.items()},
            shown[0],
            shown[1],
            None if gate is None else _change(shown[2], shown[3]),
            _mains_track(cleaning),
            room,
            floor.result(),
        )


def _is_gate(step: Plan) -> bool:
    return isinstance(step.stage, Gate) and not step.is_identity


def _change(before: Spectrogram, after: Spectrogram) -> Spectrogram:
    change_db = after.level_db - before.level_db
    return Spectrogram(change_db, before.low_hz, before.high_hz, before.seconds)


def _floor(cleaning: Cleaning) -> Levels | None:
    source = cleaning.silence.source
    if source is None:
        return None
    try:
        return measure_levels(source)
    except InputError:
        return None  # a silence too short for a spectrum


def _mains_track(cleaning: Cleaning) -> MainsTrack | None:
    for step in cleaning.plan.plans:
        operator = step.operator
        if not isinstance(operator, HumProjection):
            continue
        knot_s, cycles = operator.hum.knot_s, operator.hum.cycles
        half_s = _TRACK_S / 2
        if knot_s.size < 2 or knot_s[-1] - knot_s[0] <= _TRACK_S:
            return None
        time_s = np.linspace(knot_s[0] + half_s, knot_s[-1] - half_s, _TRACK_POINTS)
        ends = [np.interp(time_s + side, knot_s, cycles) for side in (-half_s, half_s)]
        # A jump of the phase, where a take was cut, is no frequency.
        steep = np.abs(np.diff(cycles)) > _JUMP_HZ * np.maximum(np.diff(knot_s), 1e-9)
        jumps_s = knot_s[1:][steep]
        away = np.abs(time_s[:, None] - jumps_s).min(axis=1, initial=np.inf) > half_s
        track_hz = operator.frames.mains_hz + (ends[1] - ends[0]) / _TRACK_S
        return MainsTrack(time_s[away], track_hz[away]) if away.any() else None
    return None
