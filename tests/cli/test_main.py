from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import click

from cleanchain.cli.main import COMMANDS, cli


def test_help_imports_no_numpy() -> None:
    code = (
        "import sys\nfrom cleanchain.cli.main import cli\n"
        "cli.main(['--help'], standalone_mode=False)\n"
        "assert 'numpy' not in sys.modules and 'rich' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


def test_help_of_clean_imports_no_numpy() -> None:
    code = (
        "import sys\nfrom cleanchain.cli.main import cli\n"
        "cli.main(['clean', '--help'], standalone_mode=False)\n"
        "assert 'numpy' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


def test_every_command_has_help_and_every_option_too() -> None:
    context = click.Context(cli)
    for name in COMMANDS:
        command = cli.get_command(context, name)
        assert command is not None
        assert command.help, name
        for param in command.params:
            if isinstance(param, click.Option):
                assert param.help, f"{name} {param.name}"


def test_every_command_stands_in_readme() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert f"`cleanchain {name} " in readme, name


def test_unknown_command_is_a_usage_error(run: Any) -> None:
    assert "No such command" in run("cleen", code=2).stderr


def test_version(run: Any) -> None:
    assert "cleanchain" in run("--version").stdout


def test_closed_output_ends_quietly(captures: Any) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "cleanchain", "clean", "take.wav", "--dry-run", "high-pass"],
        cwd=captures,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    told = process.stderr.read().decode()
    process.stderr.close()
    process.wait(60)
    assert "Traceback" not in told
    assert "Exception ignored" not in told
