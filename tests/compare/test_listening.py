from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from cleanchain.audio.capture import Capture
from cleanchain.compare.listening import listening_paths, write_listening
from cleanchain.errors import PathError


def test_all_are_lowered_alike_where_one_would_clip(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    waves = [rng.uniform(-level, level, 8000) for level in (2.0, 0.5)]
    paths = listening_paths("AB", [Path("x.wav"), Path("y.flac")], tmp_path / "out", False)
    assert [path.name for path in paths] == ["a-x.wav", "b-y.wav"]
    gain_db = write_listening([Capture(wave, 8000) for wave in waves], paths, False)
    assert gain_db == pytest.approx(-6.02, abs=0.01)
    for wave, path in zip(waves, paths, strict=True):
        written, _ = soundfile.read(path)
        assert np.abs(written - 10 ** (gain_db / 20) * wave).max() <= 2.0**-23


def test_an_input_is_never_replaced(tmp_path: Path) -> None:
    source = tmp_path / "a-x.wav"
    soundfile.write(source, np.zeros(100), 8000)
    (tmp_path / "x.wav").symlink_to(source)
    with pytest.raises(PathError, match="never overwritten"):
        listening_paths("A", [tmp_path / "x.wav"], tmp_path, overwrite=True)
    with pytest.raises(PathError, match="not a folder"):
        listening_paths("A", [source], source, overwrite=True)
