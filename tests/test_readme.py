"""Every command that README shows is run as it stands there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = [
    " ".join(command.split())
    for block in re.findall(r"```sh\n(.*?)```", README, re.S)
    for command in block.replace("\\\n", " ").splitlines()
    if command.strip()
]


def own_commands() -> list[str]:
    return [command for command in COMMANDS if command.startswith("cleanchain ")]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("readme")
    subprocess.run([sys.executable, "-m", "cleanchain", "demo", "demo"], cwd=folder, check=True)
    return folder


def test_readme_starts_with_the_two_commands() -> None:
    assert COMMANDS[:2] == ["sh examples/start.sh", "sh tests/run.sh"]
    assert all(command in own_commands() for command in COMMANDS[2:])
    assert len(own_commands()) >= 6


def test_the_commands_of_readme_work(folder: Path) -> None:
    for command in own_commands():
        done = subprocess.run(
            [sys.executable, "-m", *command.split()],
            cwd=folder,
            env={**os.environ, "XDG_DATA_HOME": str(folder / "data")},
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, f"{command}\n{done.stderr}"


def test_the_first_command_does_the_main_job(tmp_path: Path) -> None:
    """start.sh, in the environment that runs the tests, on a copy of what it needs."""
    for name in ("examples", "pyproject.toml"):
        (tmp_path / name).symlink_to(ROOT / name)
    environment = Path(sys.prefix)
    for what in (".", ".[test]"):
        mark = environment / ("installed-" + re.sub(r"[^a-z]", "", what))
        if not mark.exists():
            pytest.skip("not in an environment that the scripts made")
    done = subprocess.run(
        ["sh", str(tmp_path / "examples" / "start.sh")],
        env={**os.environ, "CLEANCHAIN_VENV": str(environment)},
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert "high-pass" in done.stdout
    assert "written: demo/take-a.clean.wav" in done.stdout
    assert (tmp_path / "demo" / "take-a.clean.wav").exists()


def test_the_exit_codes_of_readme_are_those_of_the_errors() -> None:
    from cleanchain import errors

    table = {int(code) for code in re.findall(r"^\| (\d+) \|", README, re.M)}
    codes = {
        error.exit_code
        for error in vars(errors).values()
        if isinstance(error, type) and issubclass(error, errors.CleanchainError)
    }
    assert codes <= table
