from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.batch.common_gain import (
    NOTHING,
    Heard,
    common_gain,
    hear,
    with_common_gain,
    without_loudness,
)
from cleanchain.batch.journal import Journal, hash_of
from cleanchain.batch.recipe import Outcome, Recipe, worst_first
from cleanchain.batch.running import plan_jobs
from cleanchain.errors import PathError, SettingError
from cleanchain.measure.loudness import Mono, measure_loudness
from cleanchain.presets.schema import Preset
from cleanchain.presets.store import Stored
from cleanchain.stages.fixed_gain import FixedGain
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.loudness import Loudness

RATE_HZ = 16_000
RECIPE = Recipe(Stored("x", Preset((HighPass(),)), None, Path("x.toml")), (HighPass(),))


def test_the_worst_comes_first() -> None:
    outcomes = [
        Outcome("cheap", "o", "done", cost_db=0.2),
        Outcome("dear", "o", "kept", cost_db=2.0),
        Outcome("misfit", "o", "refused"),
        Outcome("unknown", "o", "done"),
        Outcome("broken", "o", "failed"),
    ]
    assert [one.take for one in worst_first(outcomes)] == [
        "broken", "misfit", "dear", "cheap", "unknown"
    ]  # fmt: skip


def test_two_takes_of_one_name_are_refused_before_any_work(tmp_path: Path) -> None:
    with pytest.raises(PathError, match="both be written"):
        plan_jobs([tmp_path / "a/t.wav", tmp_path / "b/t.wav"], tmp_path / "out")
    with pytest.raises(PathError, match="both be written"):
        plan_jobs([tmp_path / "a/t.wav", tmp_path / "b/T.wav"], tmp_path / "out")
    with pytest.raises(PathError, match="never overwritten"):
        plan_jobs([tmp_path / "t.wav"], tmp_path)


def music(seed: int, seconds: float, level: float) -> Capture:
    """Noise that comes and goes, with long stretches below the relative gate."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * RATE_HZ)
    swell = np.repeat(rng.choice([0.003, 0.1, 1.0], 1 + frames // 8000), 8000)[:frames]
    return Capture(level * swell * rng.standard_normal(frames), RATE_HZ)


@pytest.mark.parametrize("mono", ["as-is", "dual"])
def test_a_common_gain_hears_all_takes_as_one_programme(mono: Mono) -> None:
    loudness = Loudness(-20.0, 0.0, mono)
    takes = [music(1, 6.0, 0.01), music(2, 9.0, 0.02), music(3, 4.0, 0.0001)]
    common = common_gain([hear(take, mono) for take in takes], loudness)
    # One programme, a second of silence between its parts; no block there passes a gate.
    gap = np.zeros((1, RATE_HZ))
    whole = Capture(np.hstack([x for take in takes for x in (take.samples, gap)]), RATE_HZ)
    assert common is not None
    # Blocks across the edges of a part, 3 of some 180, are in no take alone.
    assert common.together_lufs == pytest.approx(
        measure_loudness(whole, mono).integrated_lufs, abs=0.1
    )
    planned = loudness.plan_together(takes, [None, None, None])[0].findings
    assert common.gain_db == pytest.approx(planned["gain_db"], abs=0.01)
    # The quiet one alone would get another gain: it lies below the gate of all.
    loud = common_gain([hear(take, mono) for take in takes[:2]], loudness)
    assert loud is not None
    assert loud.gain_db == common.gain_db


def test_a_common_gain_stops_at_the_ceiling_of_the_highest_peak() -> None:
    loudness = Loudness(-20.0, -1.0)
    common = common_gain([Heard({-3000: 50}, -4.0), Heard({-3000: 9}, -9.0), NOTHING], loudness)
    assert common is not None
    assert (common.gain_db, common.hottest) == (3.0, 0)
    assert common.shortfall_db == pytest.approx(7.0)
    assert common_gain([NOTHING], loudness) is None
    before, last = without_loudness((HighPass(), loudness))
    assert (before, last) == ((HighPass(),), loudness)
    assert with_common_gain(before, 3.0) == (HighPass(), FixedGain(3.0))
    with pytest.raises(SettingError):
        without_loudness((loudness, Gate()))


def test_the_key_of_a_recipe_tells_settings_apart() -> None:
    other = replace(RECIPE, stages=(HighPass(61.0),))
    assert RECIPE.key == replace(RECIPE).key
    assert RECIPE.key != other.key


def test_a_journal_survives_lines_that_were_cut_short(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    journal.add({"a": 1})
    with journal.path.open("a") as file:
        file.write('{"b": 2, "c')
    journal.add({"d": 4})
    journal.add({"e": "\u00fc"})
    assert list(journal.lines()) == [{"a": 1}, {"d": 4}, {"e": "\u00fc"}]
    journal.path.write_bytes(b"\xff\x00[[[[\n[1]\n" + b"[" * 90_000 + b"\n")
    assert list(journal.lines()) == []


def test_lines_of_a_journal_that_lie_keep_nothing(tmp_path: Path) -> None:
    jobs = plan_jobs([tmp_path / "t.wav"], tmp_path / "out")
    (tmp_path / "out").mkdir()
    journal = Journal(tmp_path / "out")
    journal.add({"status": "done", "key": RECIPE.key, "out": str(jobs[0].out), "out_hash": "x"})
    journal.add({"status": "done", "key": RECIPE.key, "out": [1]} | json.loads("{}"))
    assert journal.done(jobs, RECIPE) == {}


def test_a_loudness_counts_again_only_for_the_same_take_and_recipe(tmp_path: Path) -> None:
    import soundfile

    jobs = plan_jobs([tmp_path / "t.wav"], tmp_path / "out")
    take = str(jobs[0].take)
    soundfile.write(tmp_path / "t.wav", [0.25, -0.5], 16_000)
    (tmp_path / "out").mkdir()
    journal = Journal(tmp_path / "out")
    heard = Heard({-3000: 2, -2990: 1}, None)
    journal.add_heard(jobs[0], "k", heard, hash_of(jobs[0].take) or "")
    assert journal.heard(jobs, "k") == {take: heard}
    assert journal.heard(jobs, "other") == {}
    soundfile.write(tmp_path / "t.wav", [0.25, -0.25], 16_000)
    assert journal.heard(jobs, "k") == {}


@pytest.mark.parametrize(
    "blocks",
    [None, 3, [1], [[1]], [[-3000, 0]], [[1.5, 2]], [[True, 2]], [[-3000, 10**12]], [[9**9, 1]]],
)
def test_blocks_of_a_journal_that_lie_count_for_nothing(tmp_path: Path, blocks: object) -> None:
    import soundfile

    jobs = plan_jobs([tmp_path / "t.wav"], tmp_path / "out")
    soundfile.write(tmp_path / "t.wav", [0.25, -0.5], 16_000)
    (tmp_path / "out").mkdir()
    journal = Journal(tmp_path / "out")
    line = {"measured": str(jobs[0].take), "key": "k", "take_hash": hash_of(jobs[0].take)}
    journal.add({**line, "blocks": blocks, "peak_dbtp": -3.0})
    assert journal.heard(jobs, "k") == {}
