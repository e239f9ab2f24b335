"""Stand-ins for the parts that a real take does not show: signal, hum and hiss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cleanchain.account import Parts
from cleanchain.audio.capture import Capture
from cleanchain.audio.source import Samples, Source
from cleanchain.chain import Chain
from cleanchain.errors import InputError
from cleanchain.measure.noise_floor import learn_floor
from cleanchain.measure.redraw import draw_hiss
from cleanchain.measure.restoring import restore
from cleanchain.stages import hum_continued
from cleanchain.stages.base import Plan
from cleanchain.stages.gate import gate_frames
from cleanchain.stages.gate_rules import EstimateRule
from cleanchain.stages.hum import Hum, HumPlan
from cleanchain.threads import helpers

#: Length of a fade at a join, s: a quick one would put into the lows what a high-pass takes out.
_FADE_S = 0.1


@dataclass(frozen=True)
class Heard:
    """What take and silence show apart.

    Parameters
    ----------
    noisy : ndarray of shape (channels, frames)
        The take less the hum that the silence lets expect: what a note has on a line stays.
    hiss : ndarray of shape (channels, frames)
        The silence without its hum.
    comb, quiet : Plan
        Plans of the hum stage for the take and for the silence.
    """

    noisy: Samples
    hiss: Samples
    comb: Plan
    quiet: Plan


def parts_heard(chain: Chain, take: Capture, silence: Capture) -> Heard:
    """Tell apart what can be told apart, by the hum stage of a chain."""
    stage = hum_stage(chain)
    quiet = stage.plan(silence, silence)
    comb = stage.plan(take, silence) if not quiet.is_identity else quiet
    noisy = take.samples - continued(comb, take)
    return Heard(noisy, _without_hum(quiet, silence), comb, quiet)


def hum_stage(chain: Chain) -> Hum:
    """Return the stage that follows the hum, as a chain has its mains."""
    stage = next((one for one in chain.stages if isinstance(one, Hum)), Hum())
    return Hum(mains_hz=stage.mains_hz)


def stand_ins(take: Capture, heard: Heard, rng: np.random.Generator) -> Parts:
    """Make stand-ins for the parts of a take; their sum is the take.

    Signal and hum are drawn as they may well have been, given the take and the silence. The hiss
    is the rest, which makes it a draw of the same kind: where the signal is too large, the hiss is
    too small, and the gate, which saw the take, has decided by the very sum of both.
    """
    own = rng.spawn(1)[0]
    with helpers(1) as pool:
        drawn = pool.submit(continued, heard.comb, take, own, faint=True)
        signal = _restored(heard.noisy, heard.hiss, take.rate_hz, rng)
        hum = drawn.result()
    waves = (signal, hum, take.samples - signal - hum)
    return Parts(*(Capture(wave, take.rate_hz, take.name) for wave in waves))


def with_reference(
    take: Capture,
    silence: Capture,
    heard: Heard,
    reference: Source,
    rng: np.random.Generator,
) -> tuple[Parts, Capture]:
    """Make a mixture like a take whose signal is a reference, and a silence like that of the take.

    Returns
    -------
    parts : Parts
        Signal, hum and hiss.
    silence : Capture
        Drawn anew, of the length of the real one.
    """
    rate_hz = take.rate_hz
    signal = at_level(reference, take, heard.noisy, heard.hiss)
    hum = continued(heard.comb, take, rng, faint=True)
    hiss = draw_hiss(heard.hiss, take.frames, rate_hz, rng)
    alike = draw_hiss(heard.hiss, silence.frames, rate_hz, rng)
    alike += continued(heard.quiet, silence, faint=True)
    parts = Parts(signal, *(Capture(wave, rate_hz, take.name) for wave in (hum, hiss)))
    return parts, Capture(alike, rate_hz, silence.name)


def _restored(noisy: Samples, hiss: Samples, rate_hz: int, rng: np.random.Generator) -> Samples:
    frames = gate_frames(rate_hz)[0]
    floor = learn_floor(Capture(hiss, rate_hz, "the silence"), frames)
    length = noisy.shape[1] + 2 * frames.size
    draw = draw_hiss(hiss, length, rate_hz, rng)
    heard = max(round(floor.used_s * rate_hz / frames.hop), 1)
    rule = EstimateRule("long", floor.power, 0.0, False)
    return restore(noisy, floor.power, heard, draw, frames, rule).astype(np.float64)


def at_level(
    reference: Source, take: Capture, noisy: Samples, hiss: Samples | None = None
) -> Capture:
    """Return a reference, cut or repeated to length, at the level of the take's signal."""
    if reference.rate_hz != take.rate_hz or reference.channels != take.channels:
        raise InputError(
            f"has {reference.rate_hz} Hz and {reference.channels} channel(s), "
            f"but {take.name} has {take.rate_hz} and {take.channels}",
            where=reference.name,
            fix="Give a reference of the take's rate and channels.",
        )
    samples = reference.read(0, min(reference.frames, take.frames))
    samples = np.tile(samples, -(-take.frames // samples.shape[1]))[:, : take.frames]
    power = float(np.mean(noisy**2))
    if hiss is not None:
        power = max(power - float(np.mean(hiss**2)), 1e-3 * power)
    own = float(np.mean(samples**2))
    if own == 0.0:
        raise InputError("is silent", where=reference.name, fix="Give a recording with sound.")
    return Capture(samples * np.sqrt(power / own), take.rate_hz, reference.name)


def continued(
    comb: Plan, heard: Capture, wander: np.random.Generator | None = None, faint: bool = False
) -> Samples:
    """Return the hum of a recording alone, at its own waveform, level and wandering phase.

    Parameters
    ----------
    comb : Plan
        The hum stage's plan for the recording.
    heard : Capture
        The recording.
    wander : Generator, optional
        Draws what path and waveform may have beside those that were found; see
        `cleanchain.stages.hum_continued.continued`.
    faint : bool, optional
        With the lines that are hardly there.
    """
    if not isinstance(comb, HumPlan):
        return np.zeros_like(heard.samples)
    return hum_continued.continued(comb.path, heard.frames, wander, faint)


def mended(
    chain: Chain, joined: Capture, silence: Capture | None, rng: np.random.Generator
) -> Capture:
    """Return a take of joined stretches as one whose hum goes on at the joins, and nothing clicks.

    The stages would take what happens there for the take's own, and tell too little of what they
    do elsewhere. What is found of the hum is taken out as it is, and put back without its jumps;
    what is not found of it stays, but fades out at the joins. Drawn hiss fills the gap, which would
    pass for a place where the hiss is missing.
    """
    if not joined.joins:
        return joined
    stage = hum_stage(chain)
    comb = stage.plan(joined, silence) if silence is not None else None
    found, whole = (np.zeros_like(joined.samples) for _ in range(2))
    if isinstance(comb, HumPlan):
        found = hum_continued.continued(comb.path, joined.frames)
        whole = hum_continued.continued(comb.path, joined.frames, joins=joined.joins)
    rest = joined.samples - found
    size = round(_FADE_S * joined.rate_hz)
    ramp = np.sin(np.linspace(0.0, np.pi / 2, size)) ** 2
    ramp = np.concatenate([ramp[::-1], ramp])
    hiss = np.zeros((joined.channels, 2 * size))
    if silence is not None:
        own = _without_hum(stage.plan(silence, silence), silence)
        hiss = draw_hiss(own, 2 * size, joined.rate_hz, rng)
    for join in joined.joins:
        around = slice(join - size, join + size)
        rest[:, around] = ramp * rest[:, around] + np.sqrt(1 - ramp**2) * hiss
    return Capture(rest + whole, joined.rate_hz, joined.name)


def _without_hum(quiet: Plan, silence: Capture) -> Samples:
    return silence.samples if quiet.is_identity else quiet.apply(silence)[0].samples
