from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.errors import SettingError
from cleanchain.stages.high_pass import HighPass


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
def test_gain_is_that_of_a_butterworth_of_order_four(rate_hz: int) -> None:
    """S. Butterworth 1930, from memory: |H|^2 = x^8 / (1 + x^8), here with zero phase."""
    plan = HighPass(corner_hz=60.0).plan(Capture(np.zeros((1, 100)), rate_hz))
    seconds = np.arange(4 * rate_hz) / rate_hz
    for hz in (15.0, 30.0, 60.0, 120.0, 1000.0):
        tone = Capture(np.sin(2 * np.pi * hz * seconds), rate_hz)
        middle = slice(rate_hz, 3 * rate_hz)
        out = plan.apply(tone)[0].samples[0, middle]
        gain = float(out @ tone.samples[0, middle] / (tone.samples[0, middle] ** 2).sum())
        x4 = (hz / 60.0) ** 4
        assert gain == pytest.approx(x4 / np.sqrt(1 + x4**2), abs=2e-4)


def test_findings_are_measured_on_the_plan() -> None:
    findings = HighPass(corner_hz=80.0).plan(Capture(np.zeros((1, 100)), 48_000)).findings
    assert findings["corner_gain_db"] == pytest.approx(-3.01, abs=0.01)
    assert findings["octave_below_gain_db"] == pytest.approx(-24.1, abs=0.1)


def test_dc_goes_out_to_the_ends() -> None:
    take = Capture(np.full((1, 30_000), 0.3), 48_000)
    out = HighPass().plan(take).apply(take)[0].samples
    assert np.abs(out).max() < 1e-12


@pytest.mark.parametrize("corner_hz", [1.0, float("nan")])
def test_a_corner_too_low_is_refused(corner_hz: float) -> None:
    with pytest.raises(SettingError, match="too low"):
        HighPass(corner_hz=corner_hz)


def test_a_corner_too_high_for_the_rate_is_refused() -> None:
    with pytest.raises(SettingError, match="too high for 8000 Hz"):
        HighPass(corner_hz=3000.0).plan(Capture(np.zeros((1, 100)), 8000))
