"""The trial: stand-ins for the signal and the noise that a real take does not show apart.

A take has no clean original. So the cleaned take stands in for the signal, the silence, extended
to its length, for the noise; the same settings are planned on their mixture, and the plan is sent
the parts. Every number is the exact truth of that mixture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture, collect
from cleanchain.audio.source import Excerpt, Samples, Source
from cleanchain.chain import Chain, ChainPlan
from cleanchain.ledger import Ledger, Parts, account
from cleanchain.operators.gain import Gain
from cleanchain.operators.harmonics import HarmonicFrames
from cleanchain.operators.planned import Planned
from cleanchain.operators.projection import HumProjection
from cleanchain.stages.hum import Hum, HumPlan

#: Length of the excerpts that a long take is represented by: number and length, s.
EXCERPTS, EXCERPT_S = 6, 5.0
#: Longest part of the silence that the noise is drawn from, s.
SILENCE_S = 60.0
_FADE_S = 0.01
_SEED = 20_260
_NO_SILENCE = "no silence to tell the noise from the signal"


def trial(chain: Chain, plan: ChainPlan, silence: Source | None) -> Ledger:
    """Write the ledger of a real take.

    Parameters
    ----------
    chain : Chain
        The settings.
    plan : ChainPlan
        What they decided for the take.
    silence : Source or None
        The build recorded without playing; without it the noise side of the ledger is not known.

    Returns
    -------
    Ledger
        With the evidence "trial".
    """
    signal = stand_in(plan.before_gain)
    nothing = Capture(np.zeros_like(signal.samples), signal.rate_hz)
    # A plain gain is the same for any signal: it need not be found once more.
    gains = {
        index: step for index, step in enumerate(plan.plans) if isinstance(step.operator, Gain)
    }
    if silence is None:
        parts = Parts(signal, nothing, nothing)
        reasons = dict.fromkeys(
            ("noise_removed_db", "hum_removed_db", "hiss_removed_db", "musical_noise"), _NO_SILENCE
        )
        return account(chain.plan(parts.mixture, None, gains), parts, "trial", reasons)
    heard = collect(Excerpt(silence, [(0, _first(silence, SILENCE_S))], silence.name))
    hum, hiss = split(heard, chain)
    rng = np.random.default_rng(_SEED)
    frames = signal.frames
    parts = Parts(
        signal,
        nothing if hum is None else continue_hum(hum, plan, frames),
        Capture(draw_hiss(hiss, frames, rng), signal.rate_hz),
    )
    return account(chain.plan(parts.mixture, heard, gains), parts, "trial")


def _first(source: Source, seconds: float) -> int:
    return min(source.frames, round(seconds * source.rate_hz))


def stand_in(cleaned: Source) -> Capture:
    """Return the cleaned take, or excerpts of it from evenly spread places, joined by fades."""
    length = round(EXCERPT_S * cleaned.rate_hz)
    if cleaned.frames <= EXCERPTS * length:
        return Capture(cleaned.read(0, cleaned.frames), cleaned.rate_hz, cleaned.name)
    starts = np.linspace(0, cleaned.frames - length, EXCERPTS).astype(int)
    ramp = np.linspace(0.0, 1.0, round(_FADE_S * cleaned.rate_hz))
    parts = []
    for start in starts.tolist():
        part = cleaned.read(start, start + length).copy()
        part[:, : ramp.size] *= ramp
        part[:, -ramp.size :] *= ramp[::-1]
        parts.append(part)
    return Capture(np.concatenate(parts, axis=1), cleaned.rate_hz, cleaned.name)


def split(silence: Capture, chain: Chain) -> tuple[HumPlan | None, Samples]:
    """Split a silence into the plan that knows its hum, and its hiss."""
    stage = next((one for one in chain.stages if isinstance(one, Hum)), Hum())
    plan = Hum(mains_hz=stage.mains_hz).plan(silence, silence)
    if not isinstance(plan, HumPlan) or plan.is_identity:
        return None, silence.samples
    return plan, collect(Planned(silence, plan.operator)).samples


def continue_hum(hum: HumPlan, plan: ChainPlan, frames: int) -> Capture:
    """Go on with a hum at its own waveform, at the level and the frequency of the take."""
    model = hum.model
    assert model is not None
    rate_hz = plan.take.rate_hz
    level, mains_hz, spread_hz = 1.0, model.mains_hz, 0.0
    for step in plan.plans:
        if isinstance(step, HumPlan) and isinstance(step.operator, HumProjection):
            level = float(np.median(step.operator.level))
            mains_hz = step.findings["mains_hz"]
            spread_hz = step.findings["mains_spread_hz"]
    waves = HarmonicFrames(rate_hz, mains_hz, model.harmonics)
    count = -(-frames // waves.hop) + 1
    seconds = np.arange(count) * waves.hop / rate_hz
    # The mains wander to and fro by as much as they did in the take, in a quarter of a minute.
    turn = 2 * np.pi / 15.0
    phase = 2 * np.pi * np.sqrt(2) * spread_hz / turn * np.sin(turn * seconds) + 1.0
    turns = np.exp(1j * np.multiply.outer(phase, model.harmonics))
    samples = waves.samples(level * model.amplitudes[:, None] * turns, 0)
    return Capture(samples[:, :frames], rate_hz)


def draw_hiss(hiss: Samples, frames: int, rng: np.random.Generator) -> Samples:
    """Draw new hiss of the spectrum of a given one; no stretch comes twice.

    Grains from random places are given random phases, the same in all channels so that what the
    channels have in common stays, and are overlapped at equal power.

    Parameters
    ----------
    hiss : ndarray of shape (channels, frames)
        Hiss to learn from.
    frames : int
        Length to draw.
    rng : numpy.random.Generator
        Where chance comes from.
    """
    size = min(1 << 13, 2 * (hiss.shape[1] // 2))
    half = size // 2
    window: NDArray[np.float64] = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    count = frames // half + 2
    out = np.zeros((hiss.shape[0], (count + 1) * half))
    starts = rng.integers(0, hiss.shape[1] - size + 1, count)
    for number, start in enumerate(starts.tolist()):
        spectrum = np.fft.rfft(hiss[:, start : start + size], axis=1)
        phases = np.exp(2j * np.pi * rng.random(spectrum.shape[1]))
        phases[[0, -1]] = 1.0
        grain = np.fft.irfft(spectrum * phases, size, axis=1)
        out[:, number * half : number * half + size] += window * grain
    return out[:, half : half + frames]
