from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.errors import FitError
from cleanchain.presets.passport import REFUSE_DB, check_fit, learn
from tests.presets.builds import HISS, HUM, RATE_HZ, build_noise, take_of


def verdicts(fit: object) -> dict[str, str]:
    return {finding.what: finding.verdict for finding in fit.findings}  # type: ignore[attr-defined]


def test_a_take_of_the_build_fits(silence: Capture) -> None:
    fit = check_fit(silence, take_of(seed=1))
    assert fit.verdict == "fits"
    assert fit.gain is not None
    assert abs(fit.gain.move_db) < 0.3
    assert not fit.gain.moved


@pytest.mark.parametrize(
    ("move_db", "verdict"), [(6.0, "refused"), (-4.5, "refused"), (2.2, "warned")]
)
def test_a_moved_gain_is_told_as_one(silence: Capture, move_db: float, verdict: str) -> None:
    fit = check_fit(silence, take_of(seed=2, gain_db=move_db))
    assert fit.verdict == verdict
    assert fit.gain is not None
    assert fit.gain.moved
    assert fit.gain.move_db == pytest.approx(move_db, abs=0.3)


def test_another_mains_is_refused(silence: Capture) -> None:
    fit = check_fit(silence, take_of(seed=3, mains_hz=59.98))
    assert verdicts(fit)["mains"] == "refused"
    assert verdicts(fit)["level"] == "fits"


def test_a_floor_that_rose_in_a_range_is_refused_and_the_range_named(silence: Capture) -> None:
    take = take_of(seed=4)
    rng = np.random.default_rng(9)
    spectrum = np.fft.rfft(0.003 * rng.standard_normal(take.frames))
    hz = np.fft.rfftfreq(take.frames, 1 / RATE_HZ)
    more = np.fft.irfft(spectrum * (hz > 2000) * 1.2, take.frames)
    fit = check_fit(silence, Capture(take.samples + more, RATE_HZ, "take"))
    shape = next(finding for finding in fit.findings if finding.what == "shape")
    assert shape.verdict == "refused"
    assert "from 2000 Hz" in shape.words
    assert shape.off_db == pytest.approx(10 * np.log10(1 + 1.2**2), abs=0.4)
    assert shape.off_db > REFUSE_DB
    assert fit.gain is not None
    assert not fit.gain.moved  # the lines and the bands below still agree


def test_other_rates_and_channels_are_no_match(silence: Capture) -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(FitError, match="22050 Hz"):
        check_fit(silence, Capture(rng.standard_normal(44_100) * 0.01, 22_050))
    with pytest.raises(FitError, match="channel"):
        check_fit(silence, Capture(rng.standard_normal((2, 32_000)) * 0.01, RATE_HZ))


def test_a_take_without_rest_is_not_refused_for_its_floor(silence: Capture) -> None:
    rng = np.random.default_rng(6)
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    music = 0.2 * np.sin(2 * np.pi * 311 * t) * (1 + 0.5 * np.sin(9 * t))
    fit = check_fit(silence, Capture(music + build_noise(rng, 4.0), RATE_HZ, "take"))
    assert verdicts(fit)["floor"] == "unknown"
    assert fit.verdict == "unknown"


def test_the_passport_tells_levels_and_mains(silence: Capture) -> None:
    floor, passport = learn(silence)
    assert (passport.rate_hz, passport.channels, passport.seconds) == (RATE_HZ, 1, 6.0)
    assert passport.mains_hz == pytest.approx(50.02, abs=0.01)
    hum = sum(size**2 / 2 for size in HUM.values())
    assert passport.hum_dbfs[0] == pytest.approx(10 * np.log10(2 * hum), abs=0.3)
    assert passport.hiss_dbfs[0] == pytest.approx(10 * np.log10(2 * HISS**2), abs=0.3)
    assert set(floor.harmonics) >= {1, 2, 3, 5, 7}
    assert floor.hum.shape == (1, len(floor.harmonics))
    assert np.array_equal(floor.silence.samples, silence.samples)
