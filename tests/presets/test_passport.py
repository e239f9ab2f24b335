from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.errors import FitError
from cleanchain.presets.fit import REFUSE_DB, check_fit, compare_floors
from cleanchain.presets.floor import Floor
from cleanchain.presets.passport import learn
from tests.presets.builds import HISS, HUM, RATE_HZ, build_noise, take_of


def verdicts(fit: object) -> dict[str, str]:
    return {finding.what: finding.verdict for finding in fit.findings}  # type: ignore[attr-defined]


def test_a_take_of_the_build_fits(floor: Floor) -> None:
    fit = check_fit(floor, take_of(seed=1))
    assert fit.verdict == "fits"
    assert fit.gain.move_db is not None
    assert abs(fit.gain.move_db) < 0.5
    assert fit.gain.moved is False


@pytest.mark.parametrize(
    ("move_db", "verdict"), [(6.0, "refused"), (-4.5, "refused"), (2.2, "warned")]
)
def test_a_moved_gain_is_told_as_one(floor: Floor, move_db: float, verdict: str) -> None:
    fit = check_fit(floor, take_of(seed=2, gain_db=move_db))
    assert fit.verdict == verdict
    assert fit.gain.moved
    assert fit.gain.move_db == pytest.approx(move_db, abs=0.5)


def test_another_mains_is_refused(floor: Floor) -> None:
    fit = check_fit(floor, take_of(seed=3, mains_hz=59.98))
    assert verdicts(fit)["mains"] == "refused"
    assert verdicts(fit)["level"] == "fits"


def test_a_floor_that_rose_in_a_range_is_refused_and_the_range_named(floor: Floor) -> None:
    take = take_of(seed=4)
    rng = np.random.default_rng(9)
    spectrum = np.fft.rfft(0.003 * rng.standard_normal(take.frames))
    hz = np.fft.rfftfreq(take.frames, 1 / RATE_HZ)
    more = np.fft.irfft(spectrum * (hz > 2000) * 1.2, take.frames)
    fit = check_fit(floor, Capture(take.samples + more, RATE_HZ, "take"))
    shape = next(finding for finding in fit.findings if finding.what == "shape")
    assert shape.verdict == "refused"
    assert "from 2000 Hz" in shape.words
    told_db = float(shape.words.split()[1])
    assert told_db == pytest.approx(10 * np.log10(1 + 1.2**2), abs=0.5)
    assert shape.off_db is not None
    assert REFUSE_DB <= shape.off_db < told_db  # what chance explains is taken off
    assert fit.gain.moved is False  # the hum still stands as it did


def test_other_rates_and_channels_are_no_match(floor: Floor) -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(FitError, match="22050 Hz"):
        check_fit(floor, Capture(rng.standard_normal(44_100) * 0.01, 22_050))
    with pytest.raises(FitError, match="channel"):
        check_fit(floor, Capture(rng.standard_normal((2, 32_000)) * 0.01, RATE_HZ))


def test_notes_that_never_rest_are_not_taken_for_a_floor_that_rose(floor: Floor) -> None:
    """A held chord, in all bands louder than the hiss and now and then a little less so."""
    rng = np.random.default_rng(6)
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    swell = 1 + 0.9 * np.sin(2 * np.pi * 0.7 * t)
    music = 0.02 * rng.standard_normal(t.size) * swell
    fit = check_fit(floor, Capture(music + build_noise(rng, 6.0), RATE_HZ, "take"))
    assert verdicts(fit)["floor"] == "unknown"
    assert fit.verdict in ("unknown", "warned")


def test_a_take_too_short_is_not_refused_for_its_floor(floor: Floor) -> None:
    rng = np.random.default_rng(7)
    fit = check_fit(floor, Capture(build_noise(rng, 0.9), RATE_HZ, "take"))
    assert verdicts(fit)["floor"] == "unknown"


def test_a_build_without_hum(silence: Capture) -> None:
    rng = np.random.default_rng(8)
    quiet = Capture(HISS * rng.standard_normal(6 * RATE_HZ), RATE_HZ, "battery")
    floor, passport = learn(quiet)
    assert passport.mains_hz is None
    assert passport.hum_dbfs == ()
    take = take_of(seed=8)
    assert verdicts(check_fit(floor, take))["mains"] == "warned"
    same = Capture(HISS * rng.standard_normal(6 * RATE_HZ), RATE_HZ, "take")
    assert check_fit(floor, same).verdict == "fits"


def test_two_floors(floor: Floor) -> None:
    rng = np.random.default_rng(11)
    other = learn(Capture(build_noise(rng, 6.0, gain_db=5.0), RATE_HZ, "louder"))[0]
    fit = compare_floors(floor, other)
    assert fit.gain.moved
    assert fit.gain.move_db == pytest.approx(5.0, abs=0.2)
    away = learn(Capture(build_noise(rng, 6.0, mains_hz=60.01), RATE_HZ, "away"))[0]
    assert verdicts(compare_floors(floor, away))["mains"] == "refused"


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
