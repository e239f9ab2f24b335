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
from tests.report.conftest import shown, violations

HOSTILE_NAME = "\"'><img src=x onerror=alert(1)> &amp; $x_{ {{7*7}}.wav"


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


def lead_of(tab: Tab) -> str:
    """The paragraph at the top, with plain spaces."""
    lead = tab.run("document.querySelector('.lead').textContent")
    return str(lead).replace("\N{NO-BREAK SPACE}", " ")


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


@pytest.fixture(scope="module")
def chain(demo: Path) -> Path:
    """A take before and after, under a name and beside a ledger that try to break out."""
    samples, rate = soundfile.read(demo / "take-a.wav")
    rng = np.random.default_rng(5)
    quieter = 0.5 * (samples - 1e-4 * rng.standard_normal(samples.size))
    soundfile.write(demo / HOSTILE_NAME, quieter, rate, subtype="PCM_24")
    evil = "<script>alert(1)</script><img src=x onerror=alert(2)>{{ 7*7 }}"
    stages = [{"stage": evil, "noise_removed_db": evil, "cost_where": evil}, evil, None]
    total = {"cost_db": 0.4, "cost_where": evil, "signal_error_db": float("nan")}
    ledger = {"schema": "cleanchain/clean/1", "take": evil, "stages": stages, "total": total}
    (demo / "ledger.json").write_text(json.dumps(ledger), encoding="utf-8")
    words = ("take-a.wav", HOSTILE_NAME, "--kind", "chain", "--ledger", "ledger.json")
    command(demo, "compare", *words, "--report", "chain.html")
    return demo / "chain.html"


@pytest.fixture(scope="module")
def three(demo: Path) -> Path:
    """Three takes of one moment, each with a noise of its own."""
    samples, rate = soundfile.read(demo / "take-a.wav")
    rng = np.random.default_rng(3)
    takes = [samples + 10**-k * rng.standard_normal(samples.size) for k in (3.0, 3.5, 4.0)]
    soundfile.write(demo / "three.wav", np.stack(takes, axis=1), rate, subtype="PCM_24")
    command(demo, "compare", "three.wav", "--report", "three.html")
    return demo / "three.html"


@pytest.mark.parametrize("name", ["measured", "compared", "at_once", "three", "chain"])
def test_each_opens_without_a_fault_and_fits_and_is_accessible(
    tab: Tab, request: pytest.FixtureRequest, name: str
) -> None:
    page = request.getfixturevalue(name)
    assert page.stat().st_size < 20_000_000
    shown(tab, page, 1440)
    assert len(lead_of(tab)) > 40
    tab.run("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    for width in (1440, 360):
        tab.resize(width, 900)
        assert tab.run("document.documentElement.scrollWidth") <= width
    assert tab.faults == []
    assert all(url.startswith(("file:", "data:")) for url in tab.asked_for)
    tab.run("document.querySelectorAll('script').forEach((one) => one.remove())")
    for dark in (False, True):
        tab.theme(dark)
        assert violations(tab) == []


def test_names_and_ledgers_from_outside_cannot_run(tab: Tab, chain: Path) -> None:
    shown(tab, chain)
    assert tab.run("document.querySelectorAll('img').length") == 0
    assert (
        tab.run("document.querySelector('h1').textContent") == f"A: take-a.wav, B: {HOSTILE_NAME}"
    )
    ledger = "document.querySelector('#ledger tbody')"
    assert tab.run(f"{ledger}.rows[0].cells[0].textContent").startswith("<script>alert(1)")
    assert "{{ 7*7 }}" in tab.run(f"{ledger}.textContent")
    assert "nan" not in tab.run(f"{ledger}.textContent").lower()
    assert tab.faults == []


def test_a_chain_is_heard_and_its_removed_part_is_the_difference(tab: Tab, chain: Path) -> None:
    """Half as loud and a little noise: at equal level only that noise was removed."""
    tab.open(chain)
    voices = "[...document.querySelectorAll('input[name=voice]')].map((one) => one.value)"
    assert tab.run(voices) == ["capture1", "capture2", "removed"]
    removed = "hearing.voicesOf(0).get('removed')[0]"
    power = f"{removed}.reduce((sum, x) => sum + x * x, 0) / {removed}.length"
    assert tab.run(f"Math.sqrt({power})") == pytest.approx(1e-4, rel=0.1)
    assert tab.run("document.querySelector('input[name=way]:checked').value") == "matched"


def test_own_noise_of_three_takes_is_shown_where_it_lies(tab: Tab, three: Path) -> None:
    tab.open(three)
    data = "JSON.parse(document.querySelector('#own-noise script.data').textContent)"
    curves = tab.run(f"{data}.curves")
    assert [curve["name"] for curve in curves] == ["A", "B", "C"]
    for curve, decades in zip(curves, (3.0, 3.5, 4.0), strict=True):
        k = int(np.argmin(np.abs(np.log(np.array(curve["x"]) / 8000))))
        width_hz = curve["x"][k] * (10**0.05 - 10**-0.05)
        true_dbfs = -20 * decades + 10 * np.log10(2 * width_hz / 24_000)  # white; AES17
        assert curve["low"][k] - 0.5 <= true_dbfs <= curve["high"][k] + 0.5
        assert curve["high"][k] - curve["low"][k] < 6.0


def test_measure_tells_the_floor_that_the_command_tells(
    tab: Tab, demo: Path, measured: Path
) -> None:
    told = command(demo, "measure", "--silence", "silence-a.wav", "--json")
    floor = f"{json.loads(told)['floor_dbfs']:.1f}".replace("-", "\N{MINUS SIGN}")
    tab.open(measured)
    assert f"at {floor} dBFS" in lead_of(tab)
    assert tab.run("document.querySelector('.blind')") is None


def test_builds_are_compared_by_octaves_and_heard_with_their_stimuli(
    tab: Tab, compared: Path
) -> None:
    tab.open(compared)
    shown = "[...document.querySelectorAll('figure.chart')].map((one) => one.id)"
    assert tab.run(shown) == ["snr", "differences", "octaves", "levels", "hum", "spectra"]
    labels = "[...document.querySelectorAll('.voices label')].map((one) => one.textContent)"
    assert any("B, hearing the stimulus" in one for one in tab.run(labels))
    data = "JSON.parse(document.querySelector('#octaves script.data').textContent).curves"
    assert tab.run(f"{data}[0].low.every((one, k) => one <= {data}[0].y[k])")


def test_marks_are_as_large_in_the_drawing_and_legend_as_in_the_still_picture(
    tab: Tab, compared: Path
) -> None:
    shown(tab, compared)
    sizes = tab.run(
        "[...document.querySelectorAll('#levels .view .dots')].map((still, k) => ["
        "still, document.querySelectorAll('#levels .sample .dots')[k]]"
        ".map((one) => parseFloat(getComputedStyle(one).strokeWidth)))"
    )
    drawn = tab.run(
        "document.querySelector('#levels .drawing').data"
        ".filter((one) => one.meta !== undefined).map((one) => one.marker.size)"
    )
    assert len(sizes) == 2
    assert sizes == [[size, size] for size in drawn]
    assert min(drawn) >= 3.5


def test_captures_are_heard_at_one_gain_or_equally_loud(tab: Tab, compared: Path) -> None:
    tab.open(compared)
    ways = "[...document.querySelectorAll('input[name=way]')].map((one) => one.value)"
    assert tab.run(ways) == ["own", "equal"]
    gains = "JSON.parse(document.getElementById('hearing-data').textContent).passages[0].gains"
    assert set(tab.run(f"{gains}.own").values()) == {0}
    assert len(set(tab.run(f"{gains}.equal").values())) == 4


def test_takes_of_one_moment_are_moved_together(tab: Tab, at_once: Path) -> None:
    """B is A, 23 frames later: moved together, they are the same samples."""
    tab.open(at_once)
    assert f"{23 / 48:.2f} ms" in lead_of(tab)
    for number in range(tab.run("document.querySelectorAll('input[name=passage]').length")):
        differ = (
            f"(() => {{ const voices = hearing.voicesOf({number});"
            "const [a, b] = ['capture1', 'capture2'].map((key) => voices.get(key)[0]);"
            "return a.reduce((most, x, n) => Math.max(most, Math.abs(x - b[n])), 0); })()"
        )
        assert tab.run(differ) <= 2.0**-22
