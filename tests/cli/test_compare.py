from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile


def write(folder: Path) -> None:
    rng = np.random.default_rng(1)
    for name, gain in (("a", 0.02), ("b", 0.01)):
        soundfile.write(folder / f"{name}.wav", gain * rng.standard_normal(80_000), 8000)


def test_json_has_its_keys(tmp_path: Path, run_json: Callable[..., dict[str, Any]]) -> None:
    write(tmp_path)
    result = run_json("compare", "a.wav", "b.wav", "--json")
    assert set(result) == {
        "schema",
        "kind",
        "bands",
        "snr_bands",
        "alignment",
        "level_match_db",
        "verdict",
        "reasons",
    }
    assert (result["kind"], result["verdict"]) == ("silence", "B is quieter")


def test_table_fits_and_odd_counts_are_refused(tmp_path: Path, run: Callable[..., Any]) -> None:
    write(tmp_path)
    text = run("compare", "a.wav", "b.wav").stdout
    assert max(map(len, text.splitlines())) <= 80
    assert text.rstrip().endswith("B is quieter")
    assert "in pairs" in run("compare", "a.wav", code=2).stderr
