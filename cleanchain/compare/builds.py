"""Build against build: noise floors and, with a stimulus, signal-to-noise."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from cleanchain.audio.channels import hold
from cleanchain.audio.source import Source
from cleanchain.compare.signal_to_noise import (
    SnrDifference,
    common_stretch,
    heard,
    same_stimulus,
    shared_power,
    snr_difference,
)
from cleanchain.compare.steadiness import check_steady
from cleanchain.errors import InputError
from cleanchain.measure.band_powers import BandPowers, check_alike, hiss_powers, measure_floors
from cleanchain.measure.capture_checks import Check, check_capture
from cleanchain.measure.differences import (
    HUM_SHARE,
    Differences,
    decide,
    differences,
    octave_differences,
    repeated_differences,
    seconds_to_settle,
)
from cleanchain.measure.gain_moved import compare_floors
from cleanchain.measure.hum_difference import HumDifference, hum_difference
from cleanchain.measure.levels import Levels
from cleanchain.measure.noise_search import PlayedAt

#: Chance that a build is wrongly called better or worse, over all bands; far below that of the
#: bands' own marks, because the word stays when the figures are forgotten.
VERDICT_ALARM = 1e-4


@dataclass(frozen=True)
class Build:
    """What was recorded of one build.

    Parameters
    ----------
    name : str
        What it is called: "A".
    silences : tuple of Source
        Silence captures; two or more are repeats.
    stimulus : Source, optional
        The build hearing the stimulus.
    """

    name: str
    silences: tuple[Source, ...]
    stimulus: Source | None = None


@dataclass(frozen=True, eq=False)
class PairResult:
    """One build against another.

    Parameters
    ----------
    reference, build : str
        Names of A and B.
    powers : tuple of BandPowers
        Hiss of A and B, the first capture of each.
    thirds, octaves : Differences
        Of the hiss.
    hum : HumDifference or None
        None where neither has any.
    scatter : bool or None
        Whether repeats scatter by more than chance; None without repeats.
    seconds : float
        Length of the shortest silence.
    hum_differs : bool
        Whether the hum does.
    snr : SnrDifference or None
        With stimulus captures of both.
    stimulus : PlayedAt or None
        Where A's stimulus lies in B's capture.
    with_stimulus : bool
        Whether stimulus captures of both were given.
    better, worse : bool
        What the signal-to-noise ratio says beyond doubt.
    checks : tuple of Check
        Of the captures.
    """

    reference: str
    build: str
    powers: tuple[BandPowers, BandPowers]
    thirds: Differences
    octaves: Differences
    hum: HumDifference | None
    scatter: bool | None
    seconds: float
    hum_differs: bool = False
    snr: SnrDifference | None = None
    stimulus: PlayedAt | None = None
    with_stimulus: bool = False
    better: bool = False
    worse: bool = False
    checks: tuple[Check, ...] = field(default_factory=tuple)

    @property
    def name(self) -> str:
        """The pair in words."""
        return f"{self.build} - {self.reference}"

    @property
    def gain_moved(self) -> bool:
        """Whether the gain was moved between a build's silence and its stimulus capture."""
        return any(check.check == "gain" and check.passed is False for check in self.checks)

    @property
    def settle_s(self) -> float:
        """Seconds of each capture that would show 1 dB in any octave nine times in ten."""
        one = np.ones(self.octaves.sd_db.size)
        return float(seconds_to_settle(self.octaves, self.seconds, one).max())


def compare_builds(builds: Sequence[Build], channel: int = 0) -> list[PairResult]:
    """Compare builds with the first of them.

    Parameters
    ----------
    builds : sequence of Build
        Two or more.
    channel : int, optional
        Counted from 0, in all captures.

    Returns
    -------
    list of PairResult
        Decided over all pairs together: with more builds no more is said to differ by chance.

    Raises
    ------
    FitError
        If the rates differ.
    InputError
        If a capture is too short or digital silence.
    """
    everything = [s for build in builds for s in (*build.silences, build.stimulus) if s is not None]
    check_alike(everything, channel)
    pairs = [_pair(builds[0], other, channel) for other in builds[1:]]
    return _decided(pairs)


def _pair(a: Build, b: Build, channel: int) -> PairResult:
    silences = [hold(source, channel) for source in (*a.silences, *b.silences)]
    stimuli: list[Source] = []
    place = None
    if a.stimulus is not None and b.stimulus is not None:
        stimuli = [hold(source, channel) for source in (a.stimulus, b.stimulus)]
        place = same_stimulus(stimuli[0], stimuli[1])
        if place.found:
            stimuli = list(common_stretch(stimuli[0], stimuli[1], place))
    levels = measure_floors([*silences, *stimuli])
    for level, source in zip(levels, (*silences, *stimuli), strict=True):
        if not level.spectrum.psd.any():
            raise InputError("is digital silence", where=source.name, fix="Record it again.")
    floors = levels[: len(a.silences)], levels[len(a.silences) : len(silences)]
    powers = hiss_powers([*floors[0], *floors[1]])
    power_a, power_b = powers[: len(floors[0])], powers[len(floors[0]) :]
    repeated = min(len(power_a), len(power_b)) > 1
    scatter = None
    if repeated:
        thirds, octaves, scatter = repeated_differences(power_a, power_b)
    else:
        thirds = differences(power_a[0], power_b[0])
        octaves = octave_differences(power_a[0], power_b[0])
    snr = None
    if stimuli:
        listening = [
            heard(level, tuple(floor)) for level, floor in zip(levels[-2:], floors, strict=True)
        ]
        shared = None
        if place is not None and place.found:
            # Both were cut to begin with the same moment of the stimulus.
            left = place.lag_frames - round(place.lag_frames)
            start = PlayedAt(left, place.drift_ppm, place.strength_sd)
            shared = shared_power(stimuli[0], stimuli[1], start, levels[0].bands)
        few = len(silences) - 2 if scatter else np.inf
        snr = snr_difference(listening[0], listening[1], shared, few)
    return PairResult(
        a.name,
        b.name,
        (power_a[0], power_b[0]),
        thirds,
        octaves,
        hum_difference(floors[0], floors[1]),
        scatter,
        min(one.seconds for one in powers),
        snr=snr,
        stimulus=place,
        with_stimulus=bool(stimuli),
        checks=tuple(_checks((a, b), silences, stimuli, levels)),
    )


def _checks(
    builds: tuple[Build, Build],
    silences: Sequence[Source],
    stimuli: Sequence[Source],
    levels: Sequence[Levels],
) -> list[Check]:
    """Look at every capture, and at the gain between a build's silence and its stimulus."""
    names = [f"silence of {build.name}" for build in builds for _ in build.silences]
    names += [f"stimulus capture of {build.name}" for build in builds][: len(stimuli)]
    sources = [*silences, *stimuli]
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(check_capture, names, sources, levels))
    # A stimulus starts and stops, which is no thump.
    checks = [
        check
        for name, one in zip(names, found, strict=True)
        for check in one
        if check.check in ("clipping", "digital silence") or name.startswith("silence")
    ]
    with ThreadPoolExecutor(2) as pool:
        steady = pool.map(check_steady, names[: len(silences)], silences)
        checks += [check for check in steady if check is not None]
    first = 0
    for place, build in enumerate(builds[: len(stimuli)]):
        quiet, loud = levels[first], levels[len(silences) + place]
        first += len(build.silences)
        move = compare_floors(quiet, loud, bands=False)
        if move is None:
            words, passed = "too few hum lines in common with the silence to tell", None
        elif move.moved:
            passed = False
            words = (
                f"hum lines lie {move.move_db:+.1f} dB against the silence: the gain was moved, "
                "or the build; record both again"
            )
        else:
            words, passed = f"as in the silence to {abs(move.move_db):.1f} dB", True
        value = None if move is None else move.move_db
        checks.append(Check(f"stimulus capture of {build.name}", "gain", passed, words, value))
    return checks


def _decided(pairs: Sequence[PairResult]) -> list[PairResult]:
    """Decide what differs, over all bands of all pairs."""
    # The hum of every pair is a test of its own, with the same share.
    families = [family for pair in pairs for family in (pair.thirds, pair.octaves)]
    singles = [(1.0 if pair.hum is None else pair.hum.probability, HUM_SHARE) for pair in pairs]
    hiss, hums = decide(families, singles)
    heard_by = [pair.snr for pair in pairs if pair.snr is not None]
    ratios = [family for snr in heard_by for family in (snr.thirds, snr.octaves)]
    marked, _ = decide(ratios)
    sure, _ = decide(ratios, level=VERDICT_ALARM)
    out = []
    place = 0
    for number, pair in enumerate(pairs):
        thirds, octaves = hiss[2 * number], hiss[2 * number + 1]
        snr, better, worse = pair.snr, False, False
        if snr is not None:
            better = any(_up(one) for one in sure[place : place + 2])
            worse = any(_up(one, -1.0) for one in sure[place : place + 2])
            snr = replace(snr, thirds=marked[place], octaves=marked[place + 1])
            place += 2
        out.append(
            replace(
                pair,
                thirds=thirds,
                octaves=octaves,
                hum_differs=hums[number],
                snr=snr,
                better=better,
                worse=worse,
            )
        )
    return out


def _up(one: Differences, sign: float = 1.0) -> bool:
    return bool((one.differs & (sign * one.difference_db > 0)).any())
