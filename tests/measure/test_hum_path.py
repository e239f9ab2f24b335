"""The guess of the hum's way, and what is said with it."""

from __future__ import annotations

import pytest

from cleanchain.measure.hum_path import CAUTIONS, guess_path
from cleanchain.measure.lines import Line


def lines(amplitudes: dict[int, float]) -> list[Line]:
    return [Line(50.0 * h, a**2 / 2, 1e-9, h) for h, a in amplitudes.items()]


#: |sin|: even harmonics of amplitude 4 / (pi (4 k^2 - 1)), by its Fourier series.
RECTIFIED = {2 * k: 4 / (3.14159 * (4 * k**2 - 1)) for k in range(1, 8)}


@pytest.mark.parametrize(
    ("amplitudes", "path"),
    [
        ({1: 1.0, 3: 0.05}, "magnetic field"),
        ({1: 0.3} | dict.fromkeys(range(3, 24, 2), 0.8), "electric field"),
        ({1: 0.4, 3: 1.0, 9: 0.5, 15: 0.3, 5: 0.1}, "earth"),
        (RECTIFIED, "rectifier"),
        ({1: 0.1, 5: 0.1} | dict.fromkeys(range(21, 61, 2), 0.4), "dimmer"),
    ],
)
def test_textbook_hums(amplitudes: dict[int, float], path: str) -> None:
    guesses = guess_path(lines(amplitudes))
    named = [guess for guess in guesses if path in guess.path]
    assert named
    assert named[0].weight >= guesses[0].weight - 0.35
    assert guesses == tuple(sorted(guesses, key=lambda guess: -guess.weight))


def test_the_clear_ones_come_first() -> None:
    assert "magnetic" in guess_path(lines({1: 1.0}))[0].path
    assert "rectifier" in guess_path(lines(RECTIFIED))[0].path
    assert "earth" in guess_path(lines({1: 0.4, 3: 1.0, 9: 0.5, 15: 0.3, 5: 0.1}))[0].path


def test_no_hum_no_guess() -> None:
    assert guess_path([]) == ()


def test_the_advice_is_safe() -> None:
    guesses = [guess for a in ({1: 1.0}, RECTIFIED) for guess in guess_path(lines(a))]
    advice = " ".join(guess.next_test.lower() for guess in guesses)
    for word in ("lift", "cut", "adapter", "mains wiring", "remove the earth", "disconnect"):
        assert word not in advice
    assert any("protective earth" in caution for caution in CAUTIONS)
    assert any("phantom" in caution for caution in CAUTIONS)
