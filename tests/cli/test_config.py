from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cleanchain.cli import configured
from cleanchain.cli.main import COMMANDS, cli

Call = Callable[..., Result]


@pytest.fixture
def call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Call:
    """Run a command in a folder two below one that may hold a project file."""
    (tmp_path / "project/inner").mkdir(parents=True)
    (tmp_path / "config/cleanchain").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "project/inner")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))

    def run(*words: str, project: str = "", own: str = "", **variables: str) -> Result:
        (tmp_path / "project/cleanchain.toml").write_text(project)
        (tmp_path / "config/cleanchain/config.toml").write_text(own)
        return CliRunner().invoke(cli, words, env=dict(variables))

    return run


def settings(result: Result) -> dict[str, tuple[object, str]]:
    rows = json.loads(result.stdout)["settings"]
    return {row["setting"]: (row["value"], Path(row["origin"]).name) for row in rows}


def test_nothing_set_is_said(call: Call) -> None:
    assert "nothing is set" in call("config").stdout


def test_who_set_what_and_who_wins(call: Call) -> None:
    result = call(
        "config", "--json",
        project="[clean]\npreset = 'a'\n[batch]\njobs = 2",
        own="[clean]\npreset = 'b'\nexplain = true\n[tune]\nmax-cost = '2dB'",
        CLEANCHAIN_BATCH_JOBS="5",
    )  # fmt: skip
    assert settings(result) == {
        "clean.preset": ("a", "cleanchain.toml"),
        "clean.explain": (True, "config.toml"),
        "tune.max_cost": ("2dB", "config.toml"),
        "batch.jobs": ("5", "CLEANCHAIN_BATCH_JOBS"),
    }
    over = {row["setting"]: len(row["over"]) for row in json.loads(result.stdout)["settings"]}
    assert over["clean.preset"] == 1
    assert over["batch.jobs"] == 1


@pytest.mark.parametrize(
    ("words", "variable", "name"),
    [
        (["clean", "t.wav", "--preset", "flag"], "variable", "flag"),
        (["clean", "t.wav"], "variable", "variable"),
        (["clean", "t.wav"], "", "project"),
    ],
)
def test_the_stronger_one_decides(
    call: Call, tmp_path: Path, words: list[str], variable: str, name: str
) -> None:
    import numpy as np
    import soundfile

    soundfile.write(tmp_path / "project/inner/t.wav", np.zeros(16_000), 16_000)
    result = call(
        *words, project="[clean]\npreset = 'project'", own="[clean]\npreset = 'own'",
        **({"CLEANCHAIN_CLEAN_PRESET": variable} if variable else {}),
    )  # fmt: skip
    assert f"no preset '{name}'" in str(result.exception)


def test_all_faults_of_a_file_are_told_at_once(call: Call) -> None:
    project = """
[clean]
presett = "x"
out = "somewhere"
fit = "anyway"
explain = "yes"
[clean.gate]
depth = "3dB"
[batch]
jobs = "many"
cluster = "tcp://elsewhere:1"
"""
    told = str(call("config", project=project).exception)
    for words in (
        "has 7 faults",
        "clean.presett: is no setting; did you mean preset?",
        "clean.out: is said on the command line only",
        "clean.fit: is said on the command line only",
        "clean.explain: write true or false",
        "clean.gate: settings of stages belong into a preset",
        "batch.jobs: 'many'",
        "batch.cluster: is said on the command line only",
    ):
        assert words in told


@pytest.mark.parametrize("text", ["[clean\n", "a = " + "[" * 9000, "clean = 3"])
def test_hostile_files_are_one_plain_message(call: Call, text: str) -> None:
    result = call("config", project=text)
    assert result.exit_code != 0
    assert "cleanchain.toml" in str(result.exception)


def test_unknown_tables_and_variables_are_pointed_out(call: Call) -> None:
    result = call(
        "config", project="[claen]\nx = 1", CLEANCHAIN_CLAEN_PRESET="x", CLEANCHAIN_VENV=""
    )
    assert "did you mean clean?" in result.stderr
    assert "did you mean CLEANCHAIN_CLEAN_PRESET?" in result.stderr
    assert "VENV" not in result.stderr


def test_paths_count_from_the_folder_of_their_file(call: Call, tmp_path: Path) -> None:
    (tmp_path / "project/quiet.wav").write_text("x")
    result = call(
        "config", "--json", project="[clean]\nsilence = 'quiet.wav'\n[measure]\ninterface = 'i.wav'"
    )
    found = settings(result)
    assert found["clean.silence"][0] == str(tmp_path / "project/quiet.wav")
    assert found["measure.interface"][0] == str(tmp_path / "project/i.wav")


def test_no_option_that_writes_or_sends_is_left_to_a_file() -> None:
    writes = {"out", "out_dir", "also", "plot", "removed", "save", "force", "cluster", "fit"}
    assert writes <= configured.NEVER


def test_all_names_the_built_in_values(call: Call) -> None:
    found = settings(call("config", "--all", "--json"))
    assert found["clean.silence"] == ("auto", "built in")
    assert {name.split(".")[0] for name in found} <= set(COMMANDS)


def test_config_imports_no_numpy(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom cleanchain.cli.main import cli\n"
        "cli.main(['config'], standalone_mode=False)\n"
        "assert 'numpy' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, cwd=tmp_path)
