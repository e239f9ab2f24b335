"""The pages of measure and compare."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.browser import Tab


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    command(folder, "demo", ".")
    return folder


def command(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "cleanchain", *words], cwd=folder, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def measured(demo: Path) -> Path:
    command(
        demo,
        *("measure", "--silence", "silence-a.wav", "--interface", "interface-floor.wav"),
        *("--stimulus", "noise-a.wav", "--played", "stimulus.wav", "--report", "measured.html"),
    )
    return demo / "measured.html"


@pytest.mark.parametrize("name", ["measured"])
def test_each_opens_without_a_fault_and_fits(
    tab: Tab, request: pytest.FixtureRequest, name: str
) -> None:
    page = request.getfixturevalue(name)
    assert page.stat().st_size < 20_000_000
    for width in (360, 1440):
        tab.open(page, width)
        tab.run("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert tab.run("document.documentElement.scrollWidth") <= width
        assert tab.faults == []
    assert len(tab.run("document.querySelector('.lead').textContent")) > 40


def test_measure_tells_the_floor_that_the_command_tells(
    tab: Tab, demo: Path, measured: Path
) -> None:
    told = command(demo, "measure", "--silence", "silence-a.wav", "--json")
    floor = f"{json.loads(told)['floor_dbfs']:.1f}".replace("-", "\N{MINUS SIGN}")
    tab.open(measured)
    assert f"at {floor} dBFS" in tab.run("document.querySelector('.lead').textContent")
    assert tab.run("document.querySelector('.blind')") is None
