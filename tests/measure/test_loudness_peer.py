"""Beside pyloudnorm at 48 kHz, which weighs by other coefficients than the standard's table.

Its shelf is designed for 4 dB at 1500 Hz and its high-pass for 38 Hz and a quality of 0.5, by the
formulas of R. Bristow-Johnson's audio equaliser cookbook; ITU-R BS.1770-5 has what amounts to
3.9998 dB at 1682 Hz by another formula, and 38.135 Hz at 0.50033. That alone is the difference:
with the coefficients of the table pyloudnorm reads the same to a millionth of a LU.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import lfilter

from cleanchain.audio.capture import Capture
from cleanchain.measure.k_weighting import k_coefficients, k_response
from cleanchain.measure.loudness import measure_loudness

pyloudnorm = pytest.importorskip("pyloudnorm")

RATE_HZ = 48_000
RECORDINGS = sorted((Path(__file__).parents[1] / "data").glob("*.flac"))


class Table:
    """The standard's weighting, in the shape that pyloudnorm's meter takes."""

    def apply_filter(self, data: np.ndarray) -> np.ndarray:
        for b, a in k_coefficients(RATE_HZ):
            data = lfilter(b, a, data)
        return data


def generated() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(6)
    n = np.arange(12 * RATE_HZ)
    seconds = n / RATE_HZ
    white = rng.standard_normal((2, n.size))
    falling = np.fft.rfft(white)
    falling /= np.sqrt(np.maximum(np.arange(falling.shape[1]), 20))
    pluck = np.exp(-3 * (seconds % 0.8)) * np.sin(2 * np.pi * 247 * (seconds % 0.8))
    hum = sum(np.sin(2 * np.pi * 50 * h * seconds) / h for h in (1, 3, 5))
    return {
        "white noise that rises": 0.1 * white * np.linspace(0.1, 1, n.size),
        "noise falling by 3 dB an octave": 0.2 * np.fft.irfft(falling) / np.sqrt(1e-3),
        "plucks over hum": (0.3 * pluck + 0.01 * hum)[None],
        "hum": 0.1 * hum[None],
        "plucks and pauses": (0.3 * pluck * (seconds % 4 < 2.5))[None],
    }


def programmes() -> dict[str, np.ndarray]:
    """Generated ones, and recordings taken as if they were at 48 kHz; whole steps of 100 ms."""
    real = {path.stem: soundfile.read(path, always_2d=True)[0].T for path in RECORDINGS}
    step = RATE_HZ // 10
    return {
        name: wave[:, : wave.shape[1] // step * step]
        for name, wave in {**generated(), **real}.items()
    }


PROGRAMMES = programmes()


@pytest.mark.parametrize("name", PROGRAMMES)
def test_agrees_with_pyloudnorm_but_for_its_coefficients(name: str) -> None:
    wave = PROGRAMMES[name]
    ours = measure_loudness(Capture(wave, RATE_HZ)).integrated_lufs
    meter = pyloudnorm.Meter(RATE_HZ)
    as_it_is = meter.integrated_loudness(wave.T)
    meter._filters = {"of the table": Table()}
    assert ours == pytest.approx(meter.integrated_loudness(wave.T), abs=1e-6)
    assert ours == pytest.approx(as_it_is, abs=0.05)


def test_its_coefficients_account_for_the_offset_of_noise() -> None:
    """From the responses alone, for white noise: within 0.01 LU of what is measured."""
    wave = 0.1 * np.random.default_rng(8).standard_normal((1, 20 * RATE_HZ))
    hz = np.linspace(0, RATE_HZ / 2, 20_000)
    delays = np.exp(-2j * np.pi * hz[:, None] / RATE_HZ * np.arange(3))
    meter = pyloudnorm.Meter(RATE_HZ)
    theirs = np.ones_like(hz)
    for stage in meter._filters.values():
        theirs *= np.abs(delays @ stage.b / (delays @ stage.a)) ** 2
    expected_lu = 10 * np.log10(theirs.mean() / (np.abs(k_response(hz, RATE_HZ)) ** 2).mean())
    ours = measure_loudness(Capture(wave, RATE_HZ)).integrated_lufs
    assert ours is not None
    assert abs(expected_lu) > 0.02  # there is something to account for
    assert meter.integrated_loudness(wave.T) - ours == pytest.approx(expected_lu, abs=0.01)
