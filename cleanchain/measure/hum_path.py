"""How hum may get into a build: a ranked guess from its harmonics, and the test to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

#: What must be said with every advice on hum.
CAUTIONS = (
    "Leave every protective earth connected and mains wiring alone. A tingle from metal, or a "
    "missing earth: stop, unplug, call an electrician.",
    "Switch 48 V phantom power off before connecting a home-made source; start monitors low.",
    "One spectrum cannot prove a path: the guess says what the lines agree with, the test decides.",
)
#: Guesses below this weight are not told.
_LEAST = 0.15


class Harmonic(Protocol):
    """A line of a spectrum, numbered where it is a harmonic of the mains."""

    @property
    def harmonic(self) -> int | None:
        """Its number."""

    @property
    def frequency_hz(self) -> float:
        """Hz."""

    @property
    def power(self) -> float:
        """Mean square, in any unit."""


@dataclass(frozen=True)
class Guess:
    """One way that hum may take.

    Parameters
    ----------
    path : str
        The way, in words.
    weight : float
        How well the lines agree with it, 0 to 1: a rank, no probability.
    evidence : str
        What was seen.
    next_test : str
        What to do to find out.
    """

    path: str
    weight: float
    evidence: str
    next_test: str


def guess_path(harmonics: Sequence[Harmonic]) -> tuple[Guess, ...]:
    """Rank the ways that agree with a hum's harmonics, the best one first.

    Parameters
    ----------
    harmonics : sequence of Harmonic
        Mains harmonics; none gives no guess.

    Notes
    -----
    The rules are the trade's, put into numbers here: a magnetic field gives nearly pure mains
    frequency; a stray capacitance passes the more the higher the frequency; triplen harmonics add
    up in neutral and earth (Brown 2009); a full-wave rectifier leaves even harmonics only; a
    phase-cut dimmer reaches far up.
    """
    power = {line.harmonic: line.power for line in harmonics if line.harmonic is not None}
    total = sum(power.values())
    if total <= 0:
        return ()
    mains_hz = next(
        line.frequency_hz / line.harmonic for line in harmonics if line.harmonic is not None
    )
    first = power.get(1, 0.0) / total
    even = sum(p for h, p in power.items() if h % 2 == 0) / total
    triplen = sum(power.get(h, 0.0) for h in (3, 9, 15)) / total
    odd_rest = sum(p for h, p in power.items() if h % 2 and h > 1 and h % 3) / total
    upper = sum(p for h, p in power.items() if h >= 3 and h % 2) / total
    high = sum(p for h, p in power.items() if h * mains_hz > 1000)
    many_high = sum(h * mains_hz > 1000 for h in power)
    guesses = (
        Guess(
            "a magnetic field (transformer, motor, loop of wiring) into a coil or a loop of lead",
            _ramp(first, 0.5, 0.98),
            f"{100 * first:.0f} % of the hum's power is at {mains_hz:.0f} Hz itself",
            "Turn the build by 90 degrees where it is, then move it a metre: a magnetic hum "
            "changes, and foil does nothing to it.",
        ),
        Guess(
            "an electric field through stray capacitance (unshielded element, lead or preamp)",
            _ramp(upper, 0.05, 0.5) * _ramp(len(power), 3, 8) * (1 - even),
            f"{len(power)} harmonics, {100 * upper:.0f} % of the power in odd ones from "
            f"{3 * mains_hz:.0f} Hz up",
            "Touch the metal parts or strings that are joined to the input's ground, or wrap the "
            "build in foil joined to it: an electric hum drops.",
        ),
        Guess(
            "current in earth or neutral: an earth loop, or leakage of chargers and supplies",
            _ramp(triplen, 0.03, 0.4) * _ramp(triplen / max(odd_rest, 1e-9), 0.5, 3.0),
            f"harmonics 3, 9 and 15 hold {100 * triplen:.0f} % of the power, the other odd ones "
            f"{100 * odd_rest:.0f} %",
            "Run the computer from its battery with nothing else plugged in, audio leads out one "
            "by one: a loop's hum goes with one of them.",
        ),
        Guess(
            "ripple of a rectifier: the supply of the preamp or of other gear",
            _ramp(even, 0.05, 0.6),
            f"even harmonics hold {100 * even:.0f} % of the power",
            "Run the preamp from a battery: ripple goes.",
        ),
        Guess(
            "sharp pulses: a lamp dimmer or a switching supply",
            _ramp(high / total, 0.002, 0.1) * _ramp(many_high, 3, 12),
            f"{many_high} harmonics above 1 kHz",
            "Switch lamps, dimmers and chargers in the room off one by one.",
        ),
    )
    ranked = sorted(guesses, key=lambda guess: -guess.weight)
    return tuple(guess for guess in ranked if guess.weight >= _LEAST)


def _ramp(value: float, low: float, high: float) -> float:
    """0 up to `low`, 1 from `high` on, straight between."""
    return min(max((value - low) / (high - low), 0.0), 1.0)
