from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.silence import find_quiet

RATE_HZ = 16_000


def take(seconds_before: float, hiss: float = 1e-3, seed: int = 0) -> Capture:
    rng = np.random.default_rng(seed)
    rest, note = int(seconds_before * RATE_HZ), 4 * RATE_HZ
    seconds = np.arange(note) / RATE_HZ
    music = np.concatenate([np.zeros(rest), 0.3 * np.sin(2 * np.pi * 220 * seconds)])
    return Capture(music + hiss * rng.standard_normal(music.size), RATE_HZ)


@pytest.mark.parametrize("seed", range(20))
def test_the_rest_before_the_music_is_found(seed: int) -> None:
    quiet = find_quiet(take(3.0, seed=seed))
    (start, stop), *more = quiet.ranges
    assert not more
    assert start == 0
    assert 2.6 <= stop / RATE_HZ <= 3.0


@pytest.mark.parametrize("seed", range(20))
def test_a_decaying_note_is_no_silence(seed: int) -> None:
    rng = np.random.default_rng(seed)
    seconds = np.arange(6 * RATE_HZ) / RATE_HZ
    decay = 0.5 * np.exp(-seconds) * np.sin(2 * np.pi * 330 * seconds)
    assert not find_quiet(Capture(decay + 1e-6 * rng.standard_normal(decay.size), RATE_HZ)).ranges


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        (np.zeros(5 * RATE_HZ), "digital silence"),
        (np.ones(RATE_HZ // 2), "shorter than a second"),
        (np.random.default_rng(1).standard_normal(5 * RATE_HZ), "dB below the playing"),
    ],
)
def test_where_there_is_none_the_reason_is_told(samples: np.ndarray, reason: str) -> None:
    quiet = find_quiet(Capture(samples, RATE_HZ))
    assert not quiet.ranges
    assert reason in quiet.reason


def test_digital_zeros_before_the_music_are_no_silence() -> None:
    with_zeros = take(3.0).samples.copy()
    with_zeros[:, : 2 * RATE_HZ] = 0.0
    quiet = find_quiet(Capture(with_zeros, RATE_HZ))
    assert all(start >= 2 * RATE_HZ for start, _ in quiet.ranges)
