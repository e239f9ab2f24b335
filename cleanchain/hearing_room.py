"""What a report lets hear: passages of a take or of captures, and gains that make them comparable.

Only what cannot be formed from the rest is kept: a take and each stage's share of what was
removed. What was removed in all, and the cleaned take, are sums of these.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cleanchain.audio.source import Excerpt, Samples, Source
from cleanchain.chain import ChainPlan
from cleanchain.fourier import fast_length
from cleanchain.measure.k_weighting import k_response
from cleanchain.measure.loudness import channel_weights
from cleanchain.measure.passages import Passage, choose_passages

#: Longest passage, s, and the characters that all samples may take in a page, four a sample.
LONGEST_S, MOST_CHARACTERS = 6.0, 16_000_000
#: A passage shorter than this is worth less than another one left out, s.
_SHORTEST_S = 2.0
#: No voice is raised by more than this, dB: what is nearly nothing stays so.
MOST_GAIN_DB = 40.0

#: Ways to set the levels, and what they mean.
OWN, MATCHED, EQUAL = "own", "matched", "equal"


@dataclass(frozen=True)
class Voice:
    """One thing to hear, a sum of stored waves.

    Parameters
    ----------
    key : str
        Letters only.
    label : str
        What it is called.
    parts : tuple of (int, int)
        Index of a stored wave, and +1 or -1.
    """

    key: str
    label: str
    parts: tuple[tuple[int, int], ...]


@dataclass(frozen=True, eq=False)
class Heard:
    """A passage with everything that can be heard in it.

    Parameters
    ----------
    passage : Passage
        Where it lies.
    waves : tuple of ndarray of shape (channels, frames)
        Stored waves.
    gains_db : mapping of str to mapping of str to float
        By way of setting the level, then by voice; dB. Nothing passes full scale with them.
    """

    passage: Passage
    waves: tuple[Samples, ...]
    gains_db: Mapping[str, Mapping[str, float]]

    def wave(self, voice: Voice) -> Samples:
        """Return what a voice sounds like, shape (channels, frames)."""
        return _mix(self.waves, voice)


@dataclass(frozen=True, eq=False)
class HearingRoom:
    """Everything a report lets hear.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in Hz.
    voices : tuple of Voice
        The first one is what the others are compared with.
    heard : tuple of Heard
        One a passage.
    blind : tuple of str
        Keys of the two voices of a blind trial; empty where there is nothing to tell apart.
    blind_way : str
        How levels are set in the trial.
    notes : tuple of str
        What to know about it.
    """

    rate_hz: int
    voices: tuple[Voice, ...]
    heard: tuple[Heard, ...]
    blind: tuple[str, ...]
    blind_way: str
    notes: tuple[str, ...]


def room_of_cleaning(plan: ChainPlan) -> HearingRoom:
    """Cut passages from a take and from each stage's share of what was removed.

    Plain gains are undone, so that all lie at the level of the take.

    Parameters
    ----------
    plan : ChainPlan
        Of the take.
    """
    take = plan.take
    shares: list[tuple[str, int]] = [
        (step.stage.name, index)
        for index, step in enumerate(plan.plans)
        if not step.is_identity and step.gain == 1.0
    ]
    passages, notes = _fitting(take, 1 + len(shares))
    voices = [Voice("before", "before", ((0, 1),))]
    if shares:
        every = tuple((number + 1, 1) for number in range(len(shares)))
        voices.append(Voice("after", "after", ((0, 1), *((index, -1) for index, _ in every))))
        voices.append(Voice("removed", "removed, all of it", every))
    if len(shares) > 1:
        voices += [
            Voice(f"share{number + 1}", f"removed by {name}", ((number + 1, 1),))
            for number, (name, _) in enumerate(shares)
        ]
    waves = []
    for passage in passages:
        points = [_at_take_level(plan, index, passage) for index in range(len(plan.points))]
        waves.append((points[0], *(points[index] - points[index + 1] for _, index in shares)))
    return HearingRoom(
        take.rate_hz,
        tuple(voices),
        _levelled(passages, waves, voices, take.rate_hz, ("before", "after")),
        ("before", "after") if shares else (),
        MATCHED,
        notes,
    )


def room_of_captures(
    captures: Mapping[str, Source],
    lead_frames: Mapping[str, int] | None = None,
    channel: int = 0,
    *,
    removed: bool = False,
    beside: Mapping[str, Source] | None = None,
) -> HearingRoom:
    """Cut the same stretch from captures, to be heard at one common gain or equally loud.

    Parameters
    ----------
    captures : mapping of str to Source
        By what they are called, all of one rate.
    lead_frames : mapping of str to int, optional
        By how many frames each capture lies behind the first, where all hold the same moment;
        passages are then chosen, otherwise one stretch is taken from the middle.
    channel : int, optional
        The one that is heard, counted from 0.
    removed : bool, optional
        Whether what the first has more than the second is heard too.
    beside : mapping of str to Source, optional
        Captures that are heard too, and not put on trial.
    """
    trial = len(captures) == 2
    captures = {**captures, **(beside or {})}
    names, first = list(captures), next(iter(captures.values()))
    leads = {name: (lead_frames or {}).get(name, 0) for name in names}
    begin = max(0, *(-lead for lead in leads.values())) if len(leads) > 1 else 0
    end = min(source.frames - leads[name] for name, source in captures.items())
    common = Excerpt(first, ((begin, max(end, begin)),), first.name)
    passages, notes = _fitting(common, len(names), 1, most=1 if lead_frames is None else 3)
    if lead_frames is None:
        length = passages[0].stop - passages[0].start
        middle = (common.frames - length) // 2
        passages = (Passage("from the middle", middle, middle + length),)
    passages = tuple(Passage(p.kind, p.start + begin, p.stop + begin) for p in passages)
    voices = [Voice(f"capture{index + 1}", name, ((index, 1),)) for index, name in enumerate(names)]
    waves = [
        tuple(
            source.read(one.start + leads[name], one.stop + leads[name])[channel : channel + 1]
            for name, source in captures.items()
        )
        for one in passages
    ]
    keys = tuple(voice.key for voice in voices)
    if removed:
        voices.append(Voice("removed", "removed", ((0, 1), (1, -1))))
    heard = _levelled(passages, waves, voices, first.rate_hz, keys)
    blind = keys[:2] if trial else ()
    return HearingRoom(first.rate_hz, tuple(voices), heard, blind, EQUAL, notes)


def _fitting(
    take: Source, streams: int, channels: int | None = None, most: int = 3
) -> tuple[tuple[Passage, ...], tuple[str, ...]]:
    """Choose as many passages, as long, as a page can hold; say so where they are shortened."""
    count, length_s = most, LONGEST_S
    for count in range(most, 0, -1):
        a_second = 4 * take.rate_hz * (channels or take.channels) * streams * count
        length_s = min(LONGEST_S, MOST_CHARACTERS / a_second)
        if length_s >= _SHORTEST_S:
            break
    passages = choose_passages(take, count, length_s)
    if length_s == LONGEST_S:
        return passages, ()
    count_words = f"{streams} waves of {channels or take.channels} channel(s)"
    why = f"{count_words} at {take.rate_hz / 1000:g} kHz"
    return passages, (
        f"Passages are {length_s:.1f} s long instead of {LONGEST_S:g} s, so that the page, with "
        f"{why}, stays small enough to send.",
    )


def _at_take_level(plan: ChainPlan, index: int, passage: Passage) -> Samples:
    """Return a passage of the take at a point of the chain, gains before that point undone."""
    gain = float(np.prod([step.gain for step in plan.plans[:index]]))
    return plan.points[index].read(passage.start, passage.stop) / gain


def _levelled(
    passages: Sequence[Passage],
    waves: Sequence[tuple[Samples, ...]],
    voices: Sequence[Voice],
    rate_hz: int,
    matched: tuple[str, ...],
) -> tuple[Heard, ...]:
    """Set the gains of every voice for each way of setting them."""
    levels = [
        {voice.key: k_level_db(_mix(stored, voice), rate_hz) for voice in voices}
        for stored in waves
    ]
    peaks = [
        {voice.key: float(np.abs(_mix(stored, voice)).max(initial=0.0)) for voice in voices}
        for stored in waves
    ]
    none = dict.fromkeys((voice.key for voice in voices), 0.0)
    match = {
        **none,
        **{key: _gain(levels[0], voices[0].key, key) for key in matched if key in none},
    }
    heard = []
    for passage, stored, level, peak in zip(passages, waves, levels, peaks, strict=True):
        equal = {key: _gain(level, voices[0].key, key) for key in none}
        gains = {
            OWN: _held_below(none, peaks),
            MATCHED: _held_below(match, peaks),
            EQUAL: _held_below(equal, [peak]),
        }
        heard.append(Heard(passage, stored, gains))
    return tuple(heard)


def _gain(level_db: Mapping[str, float], like: str, key: str) -> float:
    gain_db = level_db[like] - level_db[key]
    return float(np.clip(gain_db, -MOST_GAIN_DB, MOST_GAIN_DB)) if np.isfinite(gain_db) else 0.0


def _held_below(
    gains_db: Mapping[str, float], peaks: Sequence[Mapping[str, float]]
) -> dict[str, float]:
    """Lower all gains by the same, where the largest peak would pass full scale."""
    largest = max(one[key] * 10 ** (gain / 20) for one in peaks for key, gain in gains_db.items())
    trim_db = -20 * np.log10(largest) if largest > 1.0 else 0.0
    return {key: float(gain + trim_db) for key, gain in gains_db.items()}


def k_level_db(samples: Samples, rate_hz: int) -> float:
    """Loudness of a stretch as a whole, without gates, LUFS (ITU-R BS.1770-5); -inf for silence.

    Parameters
    ----------
    samples : ndarray of shape (channels, frames)
    rate_hz : int
        Sampling rate in Hz.
    """
    frames = samples.shape[1]
    size = fast_length(2 * frames)
    spectrum = np.fft.rfft(samples, size) * k_response(
        np.arange(size // 2 + 1) * rate_hz / size, rate_hz
    )
    power = spectrum.real**2 + spectrum.imag**2
    energy = (2 * power.sum(axis=1) - power[:, 0] - power[:, -1] * (size % 2 == 0)) / size
    mean = float(channel_weights(samples.shape[0]) @ energy) / frames
    return -0.691 + 10 * float(np.log10(mean)) if mean > 0 else -np.inf


def _mix(waves: Sequence[Samples], voice: Voice) -> Samples:
    total: Samples = sum((sign * waves[index] for index, sign in voice.parts), np.zeros(1))
    return total
