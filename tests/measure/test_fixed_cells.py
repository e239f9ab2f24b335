"""Where a filter takes how much of a signal, found under hiss, against the signal alone."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.cells import Cell, costliest
from cleanchain.measure.fixed_cost import fixed_cells
from cleanchain.measure.octaves import octave_powers

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


def powers(wave: np.ndarray) -> np.ndarray:
    return octave_powers(wave, RATE_HZ)


def low(cells: tuple[Cell, ...]) -> dict[str, float]:
    return {c.part: c.signal_lost_db for c in cells if c.octave_hz == 31.5 and c.signal_lost_db}


@pytest.mark.parametrize("hiss", [1e-4, 1e-3])
def test_a_thump_under_a_high_pass_is_told_through_the_hiss(hiss: float) -> None:
    rng = np.random.default_rng(5)
    signal = notes_with_a_thump(20)
    own, other = hiss * rng.standard_normal((2, 1, signal.size))
    zero = np.zeros_like(signal)
    true = low(fixed_cells((signal, high_passed(signal)), (zero, zero), powers(zero), RATE_HZ))
    noisy = signal + own
    found = low(
        fixed_cells(
            (noisy, high_passed(noisy)), (other, high_passed(other)), powers(other), RATE_HZ
        )
    )
    # (35 / 60)^2 is 9.4 dB.
    assert true["body"] == pytest.approx(9.4, abs=1.0)
    assert found["body"] == pytest.approx(true["body"], abs=0.5)


def test_what_drowns_in_the_hiss_is_not_told() -> None:
    rng = np.random.default_rng(6)
    signal = 1e-3 * notes_with_a_thump(20)
    own, other = 1e-3 * rng.standard_normal((2, 1, signal.size))
    noisy = signal + own
    found = fixed_cells(
        (noisy, high_passed(noisy)), (other, high_passed(other)), powers(other), RATE_HZ
    )
    assert costliest(list(found)) is None
