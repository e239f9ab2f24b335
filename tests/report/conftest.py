from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from cleanchain.audio.files import open_source
from cleanchain.audio.hashing import hash_samples
from cleanchain.audio.writing import write_source
from cleanchain.cleaning import Cleaning, clean
from cleanchain.exhibits import Exhibits, collect
from cleanchain.report.cleaning_page import cleaning_page
from cleanchain.report.page import write_page
from cleanchain.silences import choose_silence
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from cleanchain.stages.loudness import Loudness
from tests.browser import Tab, browser, program

#: A name that would run, draw or break out wherever it were not escaped.
HOSTILE = "take \"'><script>alert(1)</script><img src=x onerror=alert(2)> &amp; ${1} {{ 7*7 }}"


@dataclass(frozen=True)
class Report:
    """A report on disk, with what it was made from."""

    path: Path
    out: Path
    cleaning: Cleaning
    exhibits: Exhibits


def made_take(folder: Path, rate: int = 48_000, seconds: float = 20.0, channels: int = 1) -> None:
    """Write plucked notes with hum and hiss, and a silence: invented, from a fixed seed."""
    rng = np.random.default_rng(11)

    def noise(length_s: float) -> np.ndarray:
        t = np.arange(int(length_s * rate)) / rate
        phase = 2 * np.pi * 50.03 * t + 0.4
        hum = 0.008 * np.cos(phase) + 0.004 * np.cos(3 * phase + 1) + 0.002 * np.cos(5 * phase)
        return hum + 0.002 * rng.standard_normal((channels, t.size))

    t = np.arange(int(seconds * rate)) / rate
    music = np.zeros_like(t)
    for k in range(int((seconds - 8) / 0.6)):
        since = t - 3 - 0.6 * k
        hz = 220.0 * 2 ** ((0, 4, 7, 12, 9)[k % 5] / 12)
        sounding = np.where(since > 0, np.exp(-2.2 * since.clip(0)), 0)
        for partial in (1, 2, 3):
            music += 0.15 / partial * sounding * np.sin(2 * np.pi * partial * hz * since)
    soundfile.write(folder / "take.wav", (music + noise(seconds)).T, rate, subtype="PCM_24")
    soundfile.write(folder / "silence.wav", noise(6).T, rate, subtype="PCM_24")


def made_report(folder: Path, **more: int) -> Report:
    made_take(folder, **more)
    take = open_source(folder / "take.wav")
    silence = choose_silence(take, str(folder / "silence.wav"))
    cleaning = clean(take, silence, [HighPass(), Hum(), Gate(), Loudness()])
    write_source(folder / "out.wav", cleaning.plan.output, take)
    exhibits = collect(cleaning)
    page = cleaning_page(cleaning, exhibits, HOSTILE, {HOSTILE: hash_samples(take)})
    write_page(page, folder / "report.html")
    return Report(folder / "report.html", folder / "out.wav", cleaning, exhibits)


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    return made_report(tmp_path_factory.mktemp("report"))


def shown(tab: Tab, path: Path, *size: int, dark: bool = False) -> None:
    """Open a page and wait until its charts are drawn."""
    tab.open(path, *size, dark=dark)
    tab.run("charts")


def violations(tab: Tab) -> list[object]:
    """What axe-core, a checker of accessibility, finds serious in the page as it is."""
    rules = pytest.importorskip("axe_core_python").__path__[0]
    if not tab.run("'axe' in window"):
        tab.run((Path(rules) / "axe.min.js").read_text(encoding="utf-8") + "; 0")
    found = tab.run(
        "axe.run(document).then((told) => told.violations.map((one) =>"
        "[one.impact, one.id, one.nodes.length, one.nodes[0].html.slice(0, 120)]))"
    )
    return [one for one in found if one[0] in ("serious", "critical")]


@pytest.fixture(scope="session")
def tab() -> Iterator[Tab]:
    if program() is None:
        if os.environ.get("CLEANCHAIN_REQUIRE_ALL"):
            pytest.fail("no Chromium, and everything is required")
        pytest.skip("no Chromium on this machine")
    with browser() as opened:
        yield opened
