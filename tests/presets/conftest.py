from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.presets.floor import Floor
from cleanchain.presets.passport import learn
from tests.presets.builds import RATE_HZ, build_noise


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folders of the user for one test alone; returns that of the presets."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "data" / "cleanchain" / "presets"


@pytest.fixture(scope="session")
def silence() -> Capture:
    return Capture(build_noise(np.random.default_rng(3), 6.0), RATE_HZ, "silence.wav")


@pytest.fixture(scope="session")
def floor(silence: Capture) -> Floor:
    return learn(silence)[0]
