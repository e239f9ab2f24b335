from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from cleanchain.audio import channels
from cleanchain.audio.capture import Capture
from cleanchain.audio.channels import Held, OneChannel, bits_of, hold, one_channel
from cleanchain.audio.files import open_source
from cleanchain.audio.source import Excerpt

WAVES = np.random.default_rng(1).standard_normal((2, 1000)) / 8


def test_one_channel_is_that_channel() -> None:
    one = one_channel(Capture(WAVES, 8000), 1)
    assert one.channels == 1
    np.testing.assert_array_equal(one.read(10, 20)[0], WAVES[1, 10:20])
    mono = Capture(WAVES[:1], 8000)
    assert one_channel(mono, 0) is mono


def test_a_short_channel_is_read_once_and_a_long_one_block_by_block(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    short = hold(Capture(WAVES, 8000, "take"), 1)
    assert isinstance(short, Held)
    np.testing.assert_array_equal(short.read(0, 1000)[0], WAVES[1])
    assert (short.name, short.rate_hz, short.frames) == ("take", 8000, 1000)
    with pytest.raises(ValueError, match="read-only"):
        short.read(0, 10)[0, 0] = 1.0
    monkeypatch.setattr(channels, "MOST_HELD_FRAMES", 999)
    assert isinstance(hold(Capture(WAVES, 8000), 1), OneChannel)


def test_the_bits_of_a_file_are_known_through_its_views(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", WAVES.T, 8000, "PCM_24")
    source = open_source(tmp_path / "take.wav")
    assert bits_of(hold(source, 1)) == 24
    assert bits_of(Excerpt(one_channel(source, 0), ((10, 20),), "part")) == 24
    assert bits_of(Capture(WAVES, 8000)) is None
