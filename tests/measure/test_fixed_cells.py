"""Where a filter takes how much of a signal, found under hiss, against the signal alone."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.cells import Cell, parts_of_notes
from cleanchain.measure.fixed_cost import Seen, cells_heard
from cleanchain.measure.heard_cells import expected_cost

RATE_HZ = 48_000


def notes_with_a_thump(seconds: int) -> np.ndarray:
    """Notes of 200 Hz that begin with a thump of 35 Hz, one a second."""
    time = np.arange(seconds * RATE_HZ) / RATE_HZ
    since = time % 1.0
    note = 0.1 * np.exp(-3 * since) * np.sin(2 * np.pi * 200 * since)
    return (note + 0.03 * np.exp(-8 * since) * np.sin(2 * np.pi * 35 * since))[None]


def high_passed(wave: np.ndarray) -> np.ndarray:
    """Twelve decibels less for every octave below 60 Hz, zero phase."""
    hz = np.fft.rfftfreq(wave.shape[1], 1 / RATE_HZ)
    gain = np.minimum(1.0, (hz / 60.0) ** 2)
    return np.fft.irfft(np.fft.rfft(wave) * gain, wave.shape[1])


def found_under(
    signal: np.ndarray, own: np.ndarray, other: np.ndarray, hum: np.ndarray | None = None
) -> tuple[Cell, ...]:
    noisy = signal + own
    return cells_heard(
        Seen.of(noisy, other, RATE_HZ),
        Seen.of(high_passed(noisy), high_passed(other), RATE_HZ),
        np.zeros_like(signal) if hum is None else hum,
        parts_of_notes(signal, RATE_HZ),
        RATE_HZ,
        20.0,
        np.random.default_rng(1),
    )


def low(cells: tuple[Cell, ...]) -> dict[str, float]:
    return {c.part: c.signal_lost_db for c in cells if c.octave_hz == 31.5 and c.signal_lost_db}


@pytest.mark.parametrize("hiss", [1e-4, 1e-3])
def test_a_thump_under_a_high_pass_is_told_through_the_hiss(hiss: float) -> None:
    rng = np.random.default_rng(5)
    signal = notes_with_a_thump(20)
    own, other = hiss * rng.standard_normal((2, 1, signal.size))
    zero = np.zeros_like(signal)
    true = low(found_under(signal, zero, zero))
    found = low(found_under(signal, own, other))
    # (35 / 60)^2 is 9.4 dB.
    assert true["body"] == pytest.approx(9.4, abs=1.0)
    assert found["body"] == pytest.approx(true["body"], abs=0.5)


def test_what_drowns_in_the_hiss_is_not_told() -> None:
    rng = np.random.default_rng(6)
    signal = 1e-3 * notes_with_a_thump(20)
    own, other = 1e-3 * rng.standard_normal((2, 1, signal.size))
    assert expected_cost(found_under(signal, own, other)) is None


def test_a_thump_must_stand_out_of_the_hum_too() -> None:
    signal = notes_with_a_thump(10)
    zero = np.zeros_like(signal)
    time = np.arange(signal.size) / RATE_HZ
    for level, heard in ((1e-3, True), (0.1, False)):
        hum = (level * np.sin(2 * np.pi * 33 * time))[None]
        chances = {
            c.part: c.chance for c in found_under(signal, zero, zero, hum) if c.octave_hz < 40
        }
        assert (chances["attack"] == 1.0) is heard
