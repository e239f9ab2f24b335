"""A set of captures of one build, measured together."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np

from cleanchain.audio.channels import hold
from cleanchain.audio.source import Source
from cleanchain.errors import SettingError
from cleanchain.measure.band_powers import check_alike
from cleanchain.measure.capture_checks import Check, check_capture
from cleanchain.measure.gain_moved import (
    LEAST_DB,
    GainMove,
    above,
    compare_floors,
    compare_residual,
)
from cleanchain.measure.hearing import MARGIN_DB, Hearing, heard_by_power, hears_more
from cleanchain.measure.levels import Estimates, Levels, measure_levels
from cleanchain.measure.lines import WIDEST_BIN_HZ
from cleanchain.measure.noise_search import FOUND_SD, PlayedAt
from cleanchain.measure.played import SEGMENT_S, KnownNoise
from cleanchain.measure.transfer import Transfer, measure_transfer

Role = Literal["silence", "interface", "control", "stimulus", "control_stimulus"]
#: What the captures of a set are called, in the order in which they are measured.
ROLES: tuple[Role, ...] = get_args(Role)
#: Clocks that agree to this much are one clock.
_NO_DRIFT_PPM = 2.0
#: What hears the noise, and the silence that belongs to it.
_PAIRS: tuple[tuple[Role, Role], ...] = (("stimulus", "silence"), ("control_stimulus", "control"))


@dataclass(frozen=True)
class Listening:
    """What one capture heard of the played noise.

    Parameters
    ----------
    heard : Estimates
        Power in every band.
    place : PlayedAt or None
        Where the known noise lies in it; None where it was not given or not found.
    transfer : Transfer or None
        Played and recorded noise against each other.
    """

    heard: Estimates
    place: PlayedAt | None = None
    transfer: Transfer | None = None


@dataclass(frozen=True, eq=False)
class BuildReport:
    """All that a set of captures tells about a build.

    Parameters
    ----------
    levels : dict of str to Levels
        Levels of every capture, by role; the silence is always there.
    listening : dict of str to Listening
        What "stimulus" and "control_stimulus" heard, where both they and their silences are there.
    hearing : Hearing or None
        What the build hears against its floor.
    hears_more_than_control : bool or None
        Whether it hears anything that the dead control does not.
    checks : tuple of Check
        What to know before any number is trusted.
    reasons : dict of str to str
        Why something is not known, by what it is.
    """

    levels: dict[Role, Levels]
    listening: dict[Role, Listening] = field(default_factory=dict)
    hearing: Hearing | None = None
    hears_more_than_control: bool | None = None
    checks: tuple[Check, ...] = ()
    reasons: dict[str, str] = field(default_factory=dict)

    @property
    def silence(self) -> Levels:
        """Levels of the build's silence."""
        return self.levels["silence"]


def measure_build(
    captures: Mapping[Role, Source], played: Source | None = None, channel: int = 0
) -> BuildReport:
    """Measure a set of captures, all of one channel, gain and rate.

    Parameters
    ----------
    captures : mapping of role to Source
        At least "silence".
    played : Source, optional
        The noise that was played in "stimulus" and "control_stimulus", as it was sent out.
    channel : int, optional
        Counted from 0.

    Raises
    ------
    SettingError
        If there is no silence.
    FitError
        If the rates differ, or a capture has no such channel.
    InputError
        If a capture is too short or holds nothing.
    """
    if "silence" not in captures:
        raise SettingError("a build cannot be measured without a silence capture of it")
    check_alike([captures["silence"], *captures.values()], channel)
    captures = {role: hold(source, channel) for role, source in captures.items()}
    played = None if played is None else hold(played)
    present = [role for role in ROLES if role in captures]
    pairs = [(role, quiet) for role, quiet in _PAIRS if role in captures and quiet in captures]
    with ThreadPoolExecutor(2) as pool:
        # The search takes longest, so it comes first; the levels are measured beside it.
        searched = pool.submit(_search, captures, [role for role, _ in pairs], played)
        measured = pool.map(lambda role: measure_levels(captures[role]), present)
        levels = dict(zip(present, measured, strict=True))
        found = pool.map(lambda role: check_capture(role, captures[role], levels[role]), present)
        checks = [check for checks_of_one in found for check in checks_of_one]
        places = searched.result()
    listening = {
        role: _listened(levels[role], levels[quiet], places.get(role)) for role, quiet in pairs
    }
    checks += [_gain_check(role, quiet, levels, listening[role]) for role, quiet in pairs]
    hearing = None
    if "stimulus" in listening:
        silence = levels["silence"]
        hearing = Hearing(
            silence.bands,
            listening["stimulus"].heard,
            silence.band_power,
            silence.band_hiss.power,
        )
    more = None
    if len(listening) == 2:
        more = hears_more(listening["stimulus"].heard, listening["control_stimulus"].heard)
    return BuildReport(
        levels,
        listening,
        hearing,
        more,
        tuple(checks),
        _reasons(levels, hearing, listening),
    )


def _search(
    captures: Mapping[Role, Source], roles: list[Role], played: Source | None
) -> dict[Role, tuple[PlayedAt, Transfer | None]]:
    """Find the known noise in the captures that may hold it."""
    places: dict[Role, tuple[PlayedAt, Transfer | None]] = {}
    drifts = True
    if played is None:
        return places
    known = KnownNoise(played)
    for role in roles:
        place = known.find_in(captures[role], search_drift=drifts)
        transfer = None
        if place.found:
            transfer = measure_transfer(played, captures[role], place)
            # All captures of a set are made by the same two clocks.
            drifts = abs(place.drift_ppm) >= _NO_DRIFT_PPM
        places[role] = place, transfer
    return places


def _listened(
    level: Levels, quiet: Levels, found: tuple[PlayedAt, Transfer | None] | None
) -> Listening:
    """Return what a capture heard: by the known noise where it is found, else by power alone."""
    if found is None:
        return Listening(heard_by_power(level, quiet))
    place, transfer = found
    if transfer is None:
        # Nothing of it is there: what is heard is zero, as surely as this length can tell.
        spread = _least_found(quiet, level)
        return Listening(Estimates(np.zeros(len(quiet.bands)), spread), place)
    return Listening(transfer.heard_in(quiet.bands), place, transfer)


def _least_found(quiet: Levels, level: Levels) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Variance of a heard power of nothing, by the power of the noise and the capture's length."""
    widths = np.array([band.high_hz - band.low_hz for band in quiet.bands])
    # Averages of segments, and bins in a band.
    averages = max(level.seconds / SEGMENT_S, 1.0)
    bins = np.maximum(widths * SEGMENT_S, 1.0)
    variance = 1.94 * (quiet.band_power.power / averages) ** 2 / bins
    return np.asarray(variance, dtype=np.float64)


def _gain_check(
    role: Role, quiet: Role, levels: Mapping[Role, Levels], listening: Listening
) -> Check:
    """Whether the gain stayed between a silence and the capture with the noise playing."""
    lines = compare_floors(levels[quiet], levels[role], bands=False)
    hiss = None
    if listening.transfer is not None:
        hiss = _residual_move(levels[quiet], listening, levels.get("interface"))
    elif listening.place is not None:  # nothing of the noise is in it: the whole floor tells
        hiss = compare_floors(levels[quiet], levels[role])
    move = hiss or lines
    if hiss and lines:
        apart = abs(hiss.move_db - lines.move_db) > LEAST_DB
        if apart and lines.moved and not hiss.moved:
            return Check(
                role,
                "gain",
                True,
                f"the hiss is as in the {quiet}, the hum changed by {lines.move_db:+.1f} dB: the "
                "build moved in a field of hum",
                hiss.move_db,
            )
        move = hiss if apart or hiss.sd_db < lines.sd_db else lines
    if move is None:
        return Check(role, "gain", None, f"too few lines in common with the {quiet} to tell")
    if move.moved:
        return Check(
            role,
            "gain",
            False,
            f"everything common lies {move.move_db:+.1f} dB against the {quiet} "
            f"({move.parts} of {move.of} bands and lines agree): the gain was moved, or the build "
            "in a field of hum; record both again",
            move.move_db,
        )
    return Check(
        role, "gain", True, f"as in the {quiet} to {abs(move.move_db):.1f} dB", move.move_db
    )


def _residual_move(
    quiet: Levels, listening: Listening, interface: Levels | None
) -> GainMove | None:
    """Compare a silence with what is heard besides the noise, by what stands over the interface."""
    assert listening.transfer is not None
    floor, rest = quiet.band_hiss, listening.transfer.residual_in(quiet.bands)
    whole = compare_residual(floor, rest, listening.heard)
    if interface is None or (whole and whole.moved):
        return whole
    floor, rest = (above(one, interface.band_hiss) for one in (floor, rest))
    part = compare_residual(floor, rest, listening.heard)
    return part if part and part.moved else whole


def _reasons(
    levels: Mapping[Role, Levels], hearing: Hearing | None, listening: Mapping[Role, Listening]
) -> dict[str, str]:
    reasons = {
        f"{role}_heard": f"the played noise was not found in it ({one.place.strength_sd:.1f} "
        f"standard deviations of {FOUND_SD:.0f} that are needed)"
        for role, one in listening.items()
        if one.place is not None and not one.place.found
    }
    if not levels["silence"].tells_hum:
        needed_s = 4.5 / WIDEST_BIN_HZ * 2
        for name in ("mains_hz", "hum_dbfs", "hiss_dbfs"):
            reasons[name] = f"too short to tell hum from hiss; {needed_s:.0f} s are enough"
    elif levels["silence"].split.mains_hz is None:
        reasons["mains_hz"] = "no mains hum was found in the silence"
    if "interface" not in levels:
        reasons["above_interface_db"] = "needs a capture of the interface alone"
    if hearing is None:
        reasons["usable_from_hz"] = "needs a capture with the stimulus playing"
    else:
        lowest = hearing.usable_from()
        if lowest is None:
            reasons["usable_from_hz"] = f"nothing is heard {MARGIN_DB:.0f} dB above the floor"
    if len(listening) < 2:
        reasons["hears_more_than_control"] = (
            "needs silence and stimulus captures of the build and of a dead control"
        )
    return reasons
