"""The page as a file and as a browser shows it: safe, whole, readable."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from cleanchain.audio.files import open_source
from cleanchain.chain import Chain
from cleanchain.hearing_room import room_of_cleaning
from cleanchain.report.axes import note_name
from cleanchain.report.waves import CLEANING, hearing_of
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from tests.browser import Tab
from tests.report.conftest import HOSTILE, Report, made_take, violations


class Reader(HTMLParser):
    """Collects what could run or reach out."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inline: dict[str, list[str]] = {"script": [], "style": []}
        self._open: list[str] | None = None
        self.policy = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if tag in self.inline and found.get("type") is None:
            self._open = self.inline[tag]
            self._open.append("")
        if found.get("http-equiv") == "Content-Security-Policy":
            self.policy = found["content"] or ""

    def handle_endtag(self, tag: str) -> None:
        self._open = None

    def handle_data(self, data: str) -> None:
        if self._open is not None:
            self._open[-1] += data


@pytest.fixture(scope="module")
def read(report: Report) -> Reader:
    reader = Reader()
    reader.feed(report.path.read_text(encoding="utf-8"))
    return reader


def test_nothing_is_fetched_and_nothing_is_inline_but_what_the_policy_knows(read: Reader) -> None:
    for tag, attributes in read.tags:
        for name, value in attributes.items():
            assert not name.startswith("on")
            assert name != "style"
            if name in ("src", "href", "action", "data"):
                assert (value or "").startswith("data:image/png;base64,"), (tag, value)
    for kind in ("script", "style"):
        for text in read.inline[kind]:
            digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
            assert f"'sha256-{digest}'" in read.policy
    assert read.policy.startswith("default-src 'none'")
    assert "unsafe" not in read.policy


def test_hostile_names_are_shown_as_they_are(tab: Tab, report: Report, read: Reader) -> None:
    assert not any(tag == "img" for tag, _ in read.tags)
    tab.open(report.path)
    assert tab.run("document.querySelector('h1').textContent") == HOSTILE
    assert tab.faults == []


def test_an_inline_script_that_gets_in_does_not_run(tab: Tab, report: Report) -> None:
    """The policy works: a script put into the page by hand is refused."""
    path = report.path.with_name("broken.html")
    text = report.path.read_text(encoding="utf-8")
    path.write_text(text.replace("</main>", "<script>window.ran = 1</script></main>"), "utf-8")
    tab.open(path)
    assert tab.run("window.ran") is None
    assert any("Content Security Policy" in fault for fault in tab.faults)


def test_it_opens_without_a_network_and_without_a_fault(tab: Tab, report: Report) -> None:
    for dark in (False, True):
        tab.open(report.path, dark=dark)
        assert tab.faults == []
        assert all(url.startswith(("file:", "data:")) for url in tab.asked_for)


@pytest.mark.parametrize("width", [360, 768, 1440])
def test_no_overflow_at_any_width(tab: Tab, report: Report, tmp_path: Path, width: int) -> None:
    tab.open(report.path, width)
    tab.run("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert tab.run("document.documentElement.scrollWidth") <= width
    tab.picture(tmp_path / "page.png")
    assert (tmp_path / "page.png").stat().st_size > 10_000


def test_hover_reads_the_value_of_the_curve(tab: Tab, report: Report) -> None:
    tab.open(report.path, 1280)
    tab.run("document.getElementById('spectra').scrollIntoView()")
    box = tab.run(
        "(({ x, y, width, height }) => [x, y, width, height])"
        "(document.querySelector('#spectra .field').getBoundingClientRect())"
    )
    trace = report.exhibits.traces["before"]
    low, high = 20.0, float(trace.frequency_hz[-1])
    for wanted in (100.0, 440.0, 5000.0):
        part = np.log(wanted / low) / np.log(high / low)
        tab.point(box[0] + part * box[2], box[1] + box[3] / 2)
        told = tab.run("document.querySelector('#spectra .reading').textContent")
        hz = float(re.match(r"([\d.]+) Hz", told).group(1))
        assert abs(np.log2(hz / wanted)) < 1 / 20
        k = int(np.argmin(np.abs(trace.frequency_hz - hz)))
        name = note_name(float(trace.frequency_hz[k]))
        assert f"({name})" in told
        level = f"before {trace.level_db[k]:.1f} dB".replace("-", "\N{MINUS SIGN}")
        assert level in told


def test_zoom_and_legend(tab: Tab, report: Report) -> None:
    tab.open(report.path)
    view = "document.querySelector('#spectra .view').getAttribute('viewBox')"
    whole = tab.run(view)
    tab.run("document.querySelector('#spectra .closer').click()")
    assert tab.run(view) == "250 0 500 1000"
    tab.run("document.querySelector('#spectra .whole').click()")
    assert tab.run(view) == whole == "0 0 1000 1000"
    tab.run("document.querySelector('#spectra input[data-curve=\"0\"]').click()")
    assert "before" not in tab.run("document.querySelector('#spectra .reading').textContent")
    hidden = "getComputedStyle(document.querySelector('#spectra g[data-curve=\"0\"]')).display"
    assert tab.run(hidden) == "none"


def test_pictures_are_read_to_half_a_decibel(tab: Tab, report: Report) -> None:
    tab.open(report.path)
    tab.run("new Promise((done) => setTimeout(done, 300))")
    tab.run(
        "for (const [name, value] of [['at', 400], ['height', 600]]) {"
        "const one = document.querySelector(`#spectrograms .${name}`);"
        "one.value = String(value); one.dispatchEvent(new Event('input')); }"
    )
    told = tab.run("document.querySelector('#spectrograms .reading').textContent")
    before = report.exhibits.before.level_db
    rows, columns = before.shape
    row = rows - 1 - int(0.4 * rows)
    level = float(re.search(r"before (\S+) dB", told).group(1).replace("\N{MINUS SIGN}", "-"))
    top = max(float(one.level_db.max()) for one in (report.exhibits.before, report.exhibits.after))
    assert level == pytest.approx(max(before[row, int(0.4 * columns)], top - 80), abs=0.5)


def test_without_scripts_and_on_paper_the_charts_are_there(tab: Tab, report: Report) -> None:
    tab.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        tab.open(report.path)
        paper = tab.call("Page.printToPDF", printBackground=True)
        assert len(base64.b64decode(paper["data"])) > 100_000
    finally:
        tab.call("Emulation.setScriptExecutionDisabled", value=False)
    tab.open(report.path)
    tab.run("document.documentElement.classList.remove('scripted')")
    size = (
        "JSON.stringify([...document.querySelectorAll('.curve')].map((one) =>"
        "one.getBoundingClientRect().width > 100))"
    )
    assert tab.run(size) == "[true,true,true,true,true]"
    assert tab.run("getComputedStyle(document.querySelector('.hearing')).display") == "none"


def test_accessible_to_a_checker(tab: Tab, report: Report) -> None:
    """axe-core finds no serious violation, light or dark, with all tables unfolded."""
    tab.open(report.path, 1280)
    tab.run("document.querySelectorAll('script').forEach((one) => one.remove())")
    tab.run("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    for dark in (False, True):
        tab.theme(dark)
        assert violations(tab) == []


def test_the_checker_sees_a_fault(tab: Tab, report: Report) -> None:
    tab.open(report.path, 1280)
    tab.run("document.querySelectorAll('script').forEach((one) => one.remove())")
    tab.run("document.querySelector('.lead').setAttribute('role', 'nonsense')")
    assert [one[1] for one in violations(tab)] == ["aria-roles"]


def test_stereo_shortens_the_passages_and_says_so(tmp_path: Path) -> None:
    made_take(tmp_path, seconds=12.0, channels=2)
    take = open_source(tmp_path / "take.wav")
    silence = open_source(tmp_path / "silence.wav")
    room = room_of_cleaning(Chain([HighPass(), Hum(), Gate()]).plan(take, silence))
    told = hearing_of(room, CLEANING)
    assert max(one.waves[0].shape[1] for one in room.heard) < 6 * 48_000
    assert sum(len(text) for passage in told.waves for text in passage) < 16_100_000
    assert told.notes[0].startswith("Passages are 3.5 s long instead of 6 s")
    assert "4 waves of 2 channel(s) at 48 kHz" in told.notes[0]
