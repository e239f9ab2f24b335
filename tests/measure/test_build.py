"""A set of captures measured together."""

from __future__ import annotations

import tracemalloc
from dataclasses import dataclass

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import ReadableByRange, Samples, Source
from cleanchain.errors import FitError, InputError, SettingError
from cleanchain.measure.build import measure_build
from tests.generated_builds import RATE_HZ, Build, listening, played, silence

BUILD = Build(hiss_dbfs=-65.0, hears_db=-15.0)


@dataclass(frozen=True)
class Again(ReadableByRange):
    """A short piece over and over: of any length, in little memory."""

    piece: Samples
    frames: int
    rate_hz: int = RATE_HZ
    channels: int = 1
    name: str = "again"

    def read(self, start: int, stop: int) -> Samples:
        return self.piece[:, np.arange(start, stop) % self.piece.shape[1]]


def test_the_known_noise_makes_more_heard_than_power_alone() -> None:
    # 20 dB under the hiss: by power nothing is sure, by the known noise the wide bands are.
    deep = Build(hiss_dbfs=-60.0, hears_db=-50.0, corner_hz=60.0)
    rng = np.random.default_rng(1)
    stimulus = played(rng, 20.0)
    captures: dict[str, Source] = {
        "silence": silence(rng, deep, 20.0),
        "stimulus": listening(rng, deep, stimulus),
    }
    known, power = (measure_build(captures, noise).hearing for noise in (stimulus, None))
    assert known is not None
    assert power is not None
    assert known.sure.sum() >= 12
    assert power.sure.sum() <= 3


def test_what_is_missing_has_a_reason() -> None:
    report = measure_build({"silence": silence(np.random.default_rng(2), BUILD, 5.0)})
    assert report.hearing is None
    assert report.hears_more_than_control is None
    assert {"usable_from_hz", "hears_more_than_control", "above_interface_db"} == set(
        report.reasons
    )


def test_one_channel_of_two() -> None:
    rng = np.random.default_rng(3)
    one, other = (silence(rng, Build(hiss_dbfs=level), 5.0) for level in (-60.0, -50.0))
    both = Capture(np.concatenate([one.samples, other.samples]), RATE_HZ)
    for channel, alone in enumerate((one, other)):
        measured = measure_build({"silence": both}, channel=channel).silence
        assert measured.power() == pytest.approx(measure_build({"silence": alone}).silence.power())


def test_what_does_not_fit_is_refused() -> None:
    rng = np.random.default_rng(4)
    quiet = silence(rng, BUILD, 5.0)
    with pytest.raises(SettingError, match="silence"):
        measure_build({"interface": quiet})
    with pytest.raises(FitError, match="44100"):
        measure_build({"silence": quiet, "interface": Capture(quiet.samples, 44_100)})
    with pytest.raises(FitError, match="channel 2"):
        measure_build({"silence": quiet}, channel=1)
    with pytest.raises(InputError, match="long"):
        measure_build({"silence": Capture(quiet.samples[:, :500], RATE_HZ)})


def peak_of(seconds: int) -> int:
    piece = silence(np.random.default_rng(5), BUILD, 7.0).samples
    tracemalloc.start()
    measure_build({"silence": Again(piece, seconds * RATE_HZ)})
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def test_memory_stays_flat() -> None:
    assert peak_of(480) < 1.1 * peak_of(120)


@pytest.mark.long
def test_memory_stays_flat_for_an_hour() -> None:
    assert peak_of(3600) < 1.1 * peak_of(120)


def test_too_short_to_tell_hum_from_hiss() -> None:
    report = measure_build({"silence": silence(np.random.default_rng(6), BUILD, 1.0)})
    assert not report.silence.tells_hum
    assert {"mains_hz", "hum_dbfs", "hiss_dbfs"} <= set(report.reasons)
    assert measure_build(
        {"silence": silence(np.random.default_rng(6), BUILD, 2.0)}
    ).silence.tells_hum
