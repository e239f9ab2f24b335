"""The pages of measure and compare."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

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


@pytest.fixture(scope="module")
def compared(demo: Path) -> Path:
    command(
        demo,
        *("compare", "silence-a.wav", "silence-b.wav", "--stimulus-a", "noise-a.wav"),
        *("--stimulus-b", "noise-b.wav", "--report", "compared.html"),
    )
    return demo / "compared.html"


@pytest.fixture(scope="module")
def at_once(demo: Path) -> Path:
    samples, rate = soundfile.read(demo / "take-a.wav")
    later = np.concatenate([np.zeros(23), samples])[: samples.size]
    soundfile.write(demo / "later.wav", later, rate, subtype="PCM_24")
    words = ("take-a.wav", "later.wav", "--kind", "at-once", "--report", "takes.html")
    command(demo, "compare", *words)
    return demo / "takes.html"


@pytest.mark.parametrize("name", ["measured", "compared", "at_once"])
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


def test_captures_are_heard_at_one_gain_or_equally_loud(tab: Tab, compared: Path) -> None:
    tab.open(compared)
    ways = "[...document.querySelectorAll('input[name=way]')].map((one) => one.value)"
    assert tab.run(ways) == ["own", "equal"]
    gains = "JSON.parse(document.getElementById('hearing-data').textContent).passages[0].gains"
    assert set(tab.run(f"{gains}.own").values()) == {0}
    assert len(set(tab.run(f"{gains}.equal").values())) == 2


def test_takes_of_one_moment_are_moved_together(tab: Tab, at_once: Path) -> None:
    """B is A, 23 frames later: moved together, they are the same samples."""
    tab.open(at_once)
    lead = tab.run("document.querySelector('.lead').textContent")
    assert f"{23 / 48:.2f} ms" in lead
    for number in range(tab.run("document.querySelectorAll('input[name=passage]').length")):
        differ = (
            f"(() => {{ const voices = hearing.voicesOf({number});"
            "const [a, b] = ['capture1', 'capture2'].map((key) => voices.get(key)[0]);"
            "return a.reduce((most, x, n) => Math.max(most, Math.abs(x - b[n])), 0); })()"
        )
        assert tab.run(differ) <= 2.0**-22
