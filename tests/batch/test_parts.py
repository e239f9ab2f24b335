from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from cleanchain.batch.common_gain import common_gain_db, with_common_gain, without_loudness
from cleanchain.batch.journal import Journal, hash_of
from cleanchain.batch.recipe import Outcome, Recipe, worst_first
from cleanchain.batch.running import plan_jobs
from cleanchain.errors import PathError, SettingError
from cleanchain.presets.schema import Preset
from cleanchain.presets.store import Stored
from cleanchain.stages.fixed_gain import FixedGain
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.loudness import Loudness

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


def test_common_gain_reaches_the_target_together_or_stops_at_the_ceiling() -> None:
    loudness = Loudness(-20.0, -1.0)
    assert common_gain_db([(10, -30.0, -20.0), (10, -30.0, -25.0)], loudness) == 10.0
    # Powers of -30 and -20 LUFS for equal times: -22.596.
    assert common_gain_db([(5, -30.0, -25.0), (5, -20.0, -9.0)], loudness) == pytest.approx(
        2.596, abs=1e-3
    )
    assert common_gain_db([(5, -30.0, -4.0), (5, -30.0, -9.0)], loudness) == 3.0
    assert common_gain_db([(5, None, None)], loudness) == 0.0
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
    soundfile.write(tmp_path / "t.wav", [0.25, -0.5], 16_000)
    (tmp_path / "out").mkdir()
    journal = Journal(tmp_path / "out")
    line = {"measured": str(jobs[0].take), "key": "k", "take_hash": hash_of(jobs[0].take)}
    journal.add({**line, "seconds": 3.0, "lufs": -30.0, "peak_dbtp": None})
    assert journal.loudness(jobs, "k") == {str(jobs[0].take): (3.0, -30.0, None)}
    assert journal.loudness(jobs, "other") == {}
    soundfile.write(tmp_path / "t.wav", [0.25, -0.25], 16_000)
    assert journal.loudness(jobs, "k") == {}
