"""The hum stage with a reference: hum alone, recorded together with the take."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.errors import FitError, SettingError
from cleanchain.stages.hum import Hum
from cleanchain.stages.hum_reference import check_reference
from tests.stages.test_hum_among_notes import (
    MIXED,
    ODD,
    RATE_HZ,
    SECONDS,
    error_db,
    hiss,
    hum,
    mains,
    plucks,
)

#: The same mains through a dummy pickup: other strengths and other phases.
DUMMY = {1: 1.0, 2: 0.1, 3: 0.9, 5: 0.2, 7: 0.3}


def chords(seed: int) -> np.ndarray:
    """Loud chords without a pause, some notes on the comb of 50 Hz."""
    return plucks(seed) + np.roll(plucks(seed + 100), 1500) + 0.5 * np.roll(plucks(seed), 3000)


def parts(seed: int, level_dbfs: float = -62.0) -> tuple[np.ndarray, ...]:
    """Signal with hiss, hum of the take, silence, reference."""
    phase = mains(49.97, 0.05, SECONDS, seed)
    silence = hum(mains(50.02, 0.03, 8, seed + 1), MIXED, level_dbfs) + hiss(8, seed + 2)
    reference = np.roll(hum(phase, DUMMY, -50.0), 1) + hiss(SECONDS, seed + 3)
    return (
        chords(seed) + hiss(SECONDS, seed + 4), hum(phase, MIXED, level_dbfs), silence, reference
    )  # fmt: skip


def written(path: Path, wave: np.ndarray) -> str:
    soundfile.write(path, wave, RATE_HZ, subtype="DOUBLE")
    return str(path)


@pytest.mark.parametrize("seed", [40, 50, 60])
def test_under_loud_notes_a_reference_is_far_better_than_the_take_alone(
    seed: int, tmp_path: Path
) -> None:
    clean, noise, silence, reference = parts(seed)
    take, name = Capture(clean + noise, RATE_HZ), written(tmp_path / "dummy.wav", reference)
    alone = Hum().plan(take, Capture(silence, RATE_HZ)).apply(take)[0].samples[0]
    plan = Hum(reference=name).plan(take, Capture(silence, RATE_HZ))
    out, left = (one.samples[0] for one in plan.apply(take, Capture(noise, RATE_HZ)))
    assert error_db(out, clean) < error_db(alone, clean) - 6
    assert error_db(out, clean) < error_db(take.samples[0], clean) - 20
    assert np.sum(left**2) < 0.01 * np.sum(noise**2)
    assert plan.findings["followed_in"].endswith("dummy.wav")
    assert "reference" not in plan.reasons


def test_without_a_silence_the_waveform_is_learned_along_the_reference(tmp_path: Path) -> None:
    clean, noise, _, reference = parts(40, -50.0)
    take = Capture(clean + noise, RATE_HZ)
    plan = Hum(reference=written(tmp_path / "dummy.wav", reference)).plan(take)
    out = plan.apply(take)[0].samples[0]
    assert error_db(out, clean) < error_db(take.samples[0], clean) - 20
    assert plan.findings["learned_from"] == "take, along the reference"


def test_a_channel_of_the_take_may_be_the_reference() -> None:
    clean, noise, silence, reference = parts(50)
    quiet = hum(mains(50.02, 0.03, 8, 51), DUMMY, -50.0) + hiss(8, 9)
    take = Capture(np.stack([clean + noise, reference]), RATE_HZ)
    plan = Hum(reference="Channel 2").plan(take, Capture(np.stack([silence, quiet]), RATE_HZ))
    out = plan.apply(take)[0].samples[0]
    assert error_db(out, clean) < error_db(take.samples[0], clean) - 20


@pytest.mark.parametrize("fault", ["another moment", "no hum", "shorter"])
def test_a_reference_that_does_not_fit_is_told_and_left_aside(fault: str, tmp_path: Path) -> None:
    clean, noise, silence, reference = parts(60, -45.0)
    if fault == "another moment":
        reference = hum(mains(50.05, 0.05, SECONDS, 99), DUMMY, -50.0) + hiss(SECONDS, 98)
    elif fault == "no hum":
        reference = hiss(SECONDS, 97)
    else:
        reference = reference[:-1]
    take, quiet = Capture(clean + noise, RATE_HZ), Capture(silence, RATE_HZ)
    plan = Hum(reference=written(tmp_path / "dummy.wav", reference)).plan(take, quiet)
    assert "followed in the take alone" in plan.reasons["reference"]
    alone = Hum().plan(take, quiet).apply(take)[0].samples
    np.testing.assert_array_equal(plan.apply(take)[0].samples, alone)


@pytest.mark.parametrize("seed", [70, 80])
def test_hum_that_stops_half_way_is_followed_on_the_reference(seed: int, tmp_path: Path) -> None:
    clean, noise, silence, reference = parts(seed, -50.0)
    noise[6 * RATE_HZ :] = 0.0
    reference[6 * RATE_HZ :] = hiss(6, 96)
    take = Capture(clean + noise, RATE_HZ)
    plan = Hum(reference=written(tmp_path / "dummy.wav", reference)).plan(
        take, Capture(silence, RATE_HZ)
    )
    out = plan.apply(take)[0].samples[0]
    assert error_db(out, clean) < error_db(take.samples[0], clean) - 10
    late = slice(int(6.5 * RATE_HZ), None)
    assert np.sum((out - clean)[late] ** 2) < 1e-6 * np.sum(noise**2)


def test_a_reference_of_other_length_rate_or_channel_is_refused(tmp_path: Path) -> None:
    take = Capture(hiss(4, 1), RATE_HZ, "take")
    with pytest.raises(FitError, match="has 16000 frames, but take has 64000"):
        check_reference(written(tmp_path / "short.wav", hiss(1, 2)), take)
    soundfile.write(tmp_path / "slow.wav", hiss(4, 2), 8000)
    with pytest.raises(FitError, match="8000 Hz, but take has 16000"):
        check_reference(str(tmp_path / "slow.wav"), take)
    with pytest.raises(FitError, match=r"has 1 channel\(s\); channel 3 is named"):
        check_reference("channel 3", take)
    for text in ("channel 0", " "):
        with pytest.raises(SettingError, match="channel of the take counted from 1"):
            Hum(reference=text)


def test_a_line_that_is_only_odd_keeps_its_neighbours(tmp_path: Path) -> None:
    """Harmonics that the silence does not support are left alone with a reference, too."""
    clean, _, _, reference = parts(40)
    phase = mains(49.97, 0.05, SECONDS, 40)
    silence = hum(mains(50.02, 0.03, 8, 41), ODD, -50.0) + hiss(8, 42)
    take = Capture(clean + hum(phase, ODD, -50.0), RATE_HZ)
    plan = Hum(reference=written(tmp_path / "dummy.wav", reference)).plan(
        take, Capture(silence, RATE_HZ)
    )
    assert {row["harmonic"] for row in plan.findings["harmonics"]} <= set(ODD)
