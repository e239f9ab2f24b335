"""The page as a file and as a browser shows it: safe, whole, readable."""

from __future__ import annotations

import base64
import hashlib
import re
import subprocess
import sys
import time
import zlib
from html.parser import HTMLParser
from importlib.resources import files
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
from tests.report.conftest import HOSTILE, Report, made_take, shown, violations


class Reader(HTMLParser):
    """Collects what could run or reach out."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inline: dict[str, list[str]] = {"script": [], "style": []}
        self.kept: list[tuple[dict[str, str | None], str]] = []
        self._open: list[str] | None = None
        self._kept: dict[str, str | None] | None = None
        self.policy = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if tag in self.inline and found.get("type") is None:
            self._open = self.inline[tag]
            self._open.append("")
        self._kept = found if tag == "script" and self._open is None else None
        if found.get("http-equiv") == "Content-Security-Policy":
            self.policy = found["content"] or ""

    def handle_endtag(self, tag: str) -> None:
        self._open = None

    def handle_data(self, data: str) -> None:
        if self._open is not None:
            self._open[-1] += data
        elif self._kept is not None:
            self.kept.append((self._kept, data))


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
    shown(tab, report.path)
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
        shown(tab, report.path, dark=dark)
        assert tab.faults == []
        assert all(url.startswith(("file:", "data:")) for url in tab.asked_for)


@pytest.mark.parametrize("width", [360, 768, 1440])
def test_no_overflow_at_any_width(tab: Tab, report: Report, tmp_path: Path, width: int) -> None:
    shown(tab, report.path, width)
    tab.run("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert tab.run("document.documentElement.scrollWidth") <= width
    tab.picture(tmp_path / "page.png")
    assert (tmp_path / "page.png").stat().st_size > 10_000


#: Where a drawing lies in the window.
BOX = """(({{ x, y, width, height }}) => [x, y, width, height])(
    document.querySelector('#{0} .nsewdrag').getBoundingClientRect())"""


def box(tab: Tab, figure: str) -> list[float]:
    tab.run(f"document.getElementById('{figure}').scrollIntoView()")
    lies: list[float] = tab.run(BOX.format(figure))
    return lies


def reading(tab: Tab, figure: str, wanted: str = "") -> str:
    """What is told of the place, once it is told as wanted: the library lets pointers rest."""
    told = f"document.querySelector('#{figure} .reading').textContent"
    for _ in range(100):
        text = str(tab.run(told))
        if re.match(wanted, text):
            return text
        time.sleep(0.05)
    raise AssertionError(f"{text!r} is not {wanted!r}")


def layout(tab: Tab, axis: str = "xaxis", figure: str = "spectra") -> list[float]:
    ends: list[float] = tab.run(f"document.querySelector('#{figure} .drawing').layout.{axis}.range")
    return ends


def first_told(text: str) -> float:
    return float(re.search(r"before (\S+) dB", text).group(1).replace("\N{MINUS SIGN}", "-"))


@pytest.mark.parametrize("wanted", [100.0, 440.0, 5000.0])
def test_hover_reads_the_value_of_the_curve(tab: Tab, report: Report, wanted: float) -> None:
    shown(tab, report.path, 1280)
    x, y, width, height = box(tab, "spectra")
    trace = report.exhibits.traces["before"]
    low, high = 20.0, float(trace.frequency_hz[-1])
    tab.point(x + width * np.log(wanted / low) / np.log(high / low), y + height / 2)
    k = int(np.argmin(np.abs(np.log(trace.frequency_hz / wanted))))
    hz = float(trace.frequency_hz[k])
    told = reading(tab, "spectra", rf"{hz:.1f} Hz" if hz < 100 else rf"{hz:.0f} Hz")
    assert abs(np.log2(hz / wanted)) < 1 / 20
    assert f"({note_name(hz)})" in told
    level = f"before {trace.level_db[k]:.1f} dB".replace("-", "\N{MINUS SIGN}")
    assert level in told


def test_a_key_moves_the_reading(tab: Tab, report: Report) -> None:
    shown(tab, report.path)
    tab.run("document.querySelector('#spectra .at').focus()")
    before = reading(tab, "spectra", r"\d")
    for _ in range(10):
        tab.press("ArrowRight")
    after = reading(tab, "spectra", r"\d")
    frequencies = [float(re.match(r"[\d.]+", text).group()) for text in (before, after)]
    assert frequencies[0] < frequencies[1] < 1.1 * frequencies[0]


def test_buttons_zoom_and_show_the_whole(tab: Tab, report: Report) -> None:
    shown(tab, report.path)
    whole = layout(tab)
    assert whole[0] == pytest.approx(np.log10(20))
    tab.run("document.querySelector('#spectra .closer').focus()")
    tab.press("Enter")
    low, high = layout(tab)
    assert high - low == pytest.approx((whole[1] - whole[0]) / 2)
    assert low == pytest.approx(whole[0] + (whole[1] - whole[0]) / 4)
    texts = "document.querySelector('#spectra .drawing').layout.xaxis.ticktext"
    assert {"200", "1 k"} <= set(tab.run(texts)) <= {"200", "500", "1 k", "2 k"}
    tab.run("document.querySelector('#spectra .whole').focus()")
    tab.press(" ")
    assert layout(tab) == whole


def test_a_drag_zooms_and_a_double_click_shows_the_whole(tab: Tab, report: Report) -> None:
    shown(tab, report.path, 1280)
    x, y, width, height = box(tab, "spectra")
    whole = layout(tab), layout(tab, "yaxis")
    tab.drag((x + 0.25 * width, y + 0.25 * height), (x + 0.5 * width, y + 0.75 * height))
    for axis, ends, parts in zip(
        ("xaxis", "yaxis"), whole, ((0.25, 0.5), (0.25, 0.75)), strict=True
    ):
        expected = [ends[0] + part * (ends[1] - ends[0]) for part in parts]
        assert layout(tab, axis) == pytest.approx(expected, abs=0.01 * (ends[1] - ends[0]))
    tab.click(x + 0.5 * width, y + 0.5 * height, times=2)
    for _ in range(100):
        if layout(tab) == whole[0]:
            break
        time.sleep(0.05)
    assert (layout(tab), layout(tab, "yaxis")) == whole


def test_pictures_are_zoomed_together(tab: Tab, report: Report) -> None:
    shown(tab, report.path, 1280)
    x, y, width, height = box(tab, "spectrograms")
    tab.drag((x + 0.25 * width, y + 0.25 * height), (x + 0.5 * width, y + 0.75 * height))
    views = tab.run(
        "[...document.querySelectorAll('#spectrograms .drawing')].map(({ layout }) =>"
        "[...layout.xaxis.range, ...layout.yaxis.range])"
    )
    assert len(views) == 3
    for view in views:
        assert view == pytest.approx([0.25, 0.5, 0.25, 0.75], abs=0.02)


def test_the_legend_switches_curves(tab: Tab, report: Report) -> None:
    shown(tab, report.path)
    drawn = "document.querySelectorAll('#spectra .scatterlayer .trace').length"
    all_drawn = tab.run(drawn)
    tab.run("document.querySelector('#spectra input[data-curve=\"0\"]').focus()")
    tab.press(" ")
    assert "before" not in reading(tab, "spectra", r"\d")
    assert tab.run(drawn) == all_drawn - 2  # the curve and its band
    tab.press(" ")
    assert "before" in reading(tab, "spectra", r"\d")
    assert tab.run(drawn) == all_drawn


def test_curves_are_drawn_as_the_legend_shows_them_light_and_dark(tab: Tab, report: Report) -> None:
    shown(tab, report.path)
    lines = (
        "[...document.querySelectorAll('#spectra .scatterlayer .lines path')]"
        ".map((one) => getComputedStyle(one).stroke)"
    )
    samples = (
        "[...document.querySelectorAll('#spectra .sample line')]"
        ".map((one) => getComputedStyle(one).stroke)"
    )
    seen = []
    for dark in (False, True):
        tab.theme(dark)
        tab.run("new Promise((done) => setTimeout(done, 200))")
        assert tab.run(samples) == [one for one in tab.run(lines) if one in tab.run(samples)]
        seen.append(tab.run(samples))
    assert seen[0] != seen[1]
    assert "rgb(0, 98, 155)" in seen[0]


def test_pictures_are_read_to_half_a_decibel(tab: Tab, report: Report) -> None:
    shown(tab, report.path, 1280)
    before = report.exhibits.before.level_db
    rows, columns = before.shape
    low_hz, high_hz = report.exhibits.before.low_hz, report.exhibits.before.high_hz
    top = max(float(one.level_db.max()) for one in (report.exhibits.before, report.exhibits.after))
    floor = top - 80
    tab.run(
        "for (const [name, value] of [['at', 400], ['height', 600]]) {"
        "const one = document.querySelector(`#spectrograms .${name}`);"
        "one.value = String(value); one.dispatchEvent(new Event('input')); }"
    )
    level = first_told(reading(tab, "spectrograms", "0:08"))
    assert level == pytest.approx(max(before[int(0.6 * rows), int(0.4 * columns)], floor), abs=0.5)
    # Under the pointer: the told place is the pointer's to a pixel, the level is the place's.
    x, y, width, height = box(tab, "spectrograms")
    tab.point(x + 0.5 * width, y + 0.4 * height)
    told = reading(tab, "spectrograms", "0:10|0:09.9")
    place = re.match(r"0:(\d+\.\d+), ([\d.]+) Hz", told)
    part = np.log(float(place.group(2)) / low_hz) / np.log(high_hz / low_hz)
    column = float(place.group(1)) / report.exhibits.before.seconds * columns
    assert column == pytest.approx(0.5 * columns, abs=0.5 + 1.5 * columns / width)
    assert part * rows == pytest.approx(0.6 * rows, abs=0.5 + 1.5 * rows / height)
    assert first_told(told) == pytest.approx(
        max(before[int(part * rows), int(column)], floor), abs=0.5
    )


def test_without_scripts_the_charts_are_there(tab: Tab, report: Report) -> None:
    tab.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        tab.open(report.path)
        widths = (
            "[...document.querySelectorAll('.curve')]"
            ".map((one) => one.getBoundingClientRect().width)"
        )
        assert [width > 100 for width in tab.run(widths)] == [True] * 5
        assert tab.run("document.querySelectorAll('.drawn').length") == 0
        for hidden in (".hearing", ".tools", ".legend input", ".drawing"):
            assert (
                tab.run(f"getComputedStyle(document.querySelector('{hidden}')).display") == "none"
            )
    finally:
        tab.call("Emulation.setScriptExecutionDisabled", value=False)


def test_on_paper_the_still_pictures_are_there(tab: Tab, report: Report) -> None:
    shown(tab, report.path)
    display = "getComputedStyle(document.querySelector('#{0} {1}')).display"
    kinds = [
        (figure, part) for figure in ("spectra", "spectrograms") for part in (".field", ".drawing")
    ]
    on_screen = [tab.run(display.format(*one)) == "none" for one in kinds]
    tab.call("Emulation.setEmulatedMedia", media="print")
    try:
        on_paper = [tab.run(display.format(*one)) == "none" for one in kinds]
        paper = tab.call("Page.printToPDF", printBackground=True)
        assert len(base64.b64decode(paper["data"])) > 100_000
    finally:
        tab.call("Emulation.setEmulatedMedia", media="")
    assert on_screen == [True, False] * 2
    assert on_paper == [False, True] * 2


def test_accessible_to_a_checker(tab: Tab, report: Report) -> None:
    """axe-core finds no serious violation, light or dark, with all tables unfolded."""
    shown(tab, report.path, 1280)
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


def test_the_library_is_the_installed_one_and_the_policy_knows_it(read: Reader) -> None:
    kept = next(text for given, text in read.kept if given.get("id") == "library")
    script = zlib.decompress(base64.b64decode(kept))
    assert script == (files("plotly") / "package_data" / "plotly.min.js").read_bytes()
    assert f"'sha256-{base64.b64encode(hashlib.sha256(script).digest()).decode()}'" in read.policy


def test_only_a_report_reads_the_library() -> None:
    """Nothing that a command needs before it writes a page takes the library in."""
    seen = "import sys, cleanchain.cli.main, cleanchain.report.page; print('plotly' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", seen], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "False"


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
