"""What the page lets hear, as the browser forms it: exact, together, equally loud."""

from __future__ import annotations

import base64
from itertools import pairwise

import numpy as np
import pyloudnorm
import pytest
import soundfile

from cleanchain.hearing_room import EQUAL, MATCHED, OWN, k_level_db
from tests.browser import Tab
from tests.report.conftest import Report

#: Sends samples over as 32-bit floats.
PACK = """
(channels) => {
  const bytes = new Uint8Array(Float32Array.from(channels).buffer);
  let text = "";
  for (let n = 0; n < bytes.length; n += 32768) {
    text += String.fromCharCode(...bytes.subarray(n, n + 32768));
  }
  return btoa(text);
}
"""


def numbers(text: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), dtype="<f4").astype(float)


def formed(tab: Tab, passage: int, voice: str) -> np.ndarray:
    return numbers(tab.run(f"({PACK})(hearing.voicesOf({passage}).get('{voice}')[0])"))


def rendered(tab: Tab, passage: int, way: str, choices: str, seconds: float) -> np.ndarray:
    call = f"hearing.rendered({passage}, '{way}', {choices}, {seconds})"
    return numbers(tab.run(f"{call}.then((channels) => ({PACK})(channels[0]))"))


@pytest.fixture
def page(tab: Tab, report: Report) -> Tab:
    tab.open(report.path)
    return tab


def test_after_as_formed_in_the_page_is_the_written_file(page: Tab, report: Report) -> None:
    written, _ = soundfile.read(report.out)
    gain = report.cleaning.plan.gain
    assert gain != 1.0
    for number, heard in enumerate(report.exhibits.room.heard):
        start, stop = heard.passage.start, heard.passage.stop
        away = formed(page, number, "after") - written[start:stop] / gain
        # AES17: 0 dBFS is the rms of a full-scale sine.
        away_dbfs = 10 * np.log10(2 * np.mean(away**2))
        assert away_dbfs < -90
        assert np.abs(away).max() < 10 ** (-90 / 20)


def test_before_removed_and_shares_add_up_to_the_last_bit(page: Tab, report: Report) -> None:
    take, _ = soundfile.read(report.path.parent / "take.wav")
    for number, heard in enumerate(report.exhibits.room.heard):
        voices = {v.key: formed(page, number, v.key) for v in report.exhibits.room.voices}
        start, stop = heard.passage.start, heard.passage.stop
        np.testing.assert_array_equal(voices["before"], take[start:stop])
        shares = sum(wave for key, wave in voices.items() if key.startswith("share"))
        step = 2.0**-23
        assert np.abs(shares - voices["removed"]).max() <= step / 2
        assert np.abs(voices["before"] - voices["removed"] - voices["after"]).max() <= step / 2


def test_switching_keeps_the_place_and_makes_no_jump(page: Tab, report: Report) -> None:
    rate = report.exhibits.room.rate_hz
    sound = rendered(page, 0, "own", "[[0, 'before'], [1, 'after'], [2, 'removed']]", 3)
    before, after, removed = (formed(page, 0, key) for key in ("before", "after", "removed"))
    ramp = round(0.01 * rate)
    quantum = 128  # audio contexts work in blocks of this many frames
    for wave, start, stop in ((before, 0, rate), (after, rate, 2 * rate), (removed, 2 * rate, 0)):
        inside = slice(start + ramp + quantum, (stop or sound.size) - quantum)
        np.testing.assert_allclose(sound[inside], wave[inside], atol=1e-6)
    # In the ramp the sound lies between the two waves: no jump in place, none in level.
    inside = slice(rate, rate + ramp)
    part = np.arange(ramp) / ramp
    expected = (1 - part) * before[inside] + part * after[inside]
    assert np.abs(sound[inside] - expected).max() < 0.02 * np.abs(before).max()


def level_of(wave: np.ndarray, rate: int) -> float:
    """Loudness without gates by another route than the tool's: the library's filters in time."""
    meter = pyloudnorm.Meter(rate, filter_class="DeMan")
    for stage in meter._filters.values():
        wave = stage.apply_filter(wave)
    return float(-0.691 + 10 * np.log10(np.mean(wave**2)))


@pytest.mark.parametrize("way", [MATCHED, EQUAL])
def test_matched_voices_are_equally_loud_as_rendered(page: Tab, report: Report, way: str) -> None:
    rate = report.exhibits.room.rate_hz
    seconds = report.exhibits.room.heard[0].waves[0].shape[1] / rate
    keys = ["before", "after"] if way == MATCHED else ["before", "after", "removed", "share1"]
    levels = [level_of(rendered(page, 0, way, f"[[0, '{key}']]", seconds), rate) for key in keys]
    assert max(levels) - min(levels) < 0.1


def test_gains_are_those_that_the_page_tells(page: Tab, report: Report) -> None:
    heard = report.exhibits.room.heard[0]
    page.run("document.querySelector('input[name=way][value=equal]').click()")
    page.run("document.querySelector('input[name=voice][value=removed]').click()")
    gains = heard.gains_db[EQUAL]
    told = page.run("document.getElementById('match').textContent")
    assert f"{gains['removed'] - gains['before']:+.2f} dB against before" in told
    page.run("document.querySelector('input[name=way][value=own]').click()")
    assert page.run("document.getElementById('match').textContent").startswith("removed")
    assert set(heard.gains_db[OWN].values()) == {0.0}


def test_the_repeated_stretch_cannot_turn_over(page: Tab) -> None:
    move = (
        "((id, value) => { const one = document.getElementById(id); one.value = value;"
        "for (const kind of ['input', 'change']) one.dispatchEvent(new Event(kind));"
        "return ['from', 'to'].map((name) => Number(document.getElementById(name).value)); })"
    )
    assert page.run(f"{move}('to', '20')") == [0, 50]
    assert page.run(f"{move}('from', '990')") == [950, 1000]
    assert page.run(f"{move}('from', '100')") == [100, 1000]
    assert page.faults == []


def test_it_plays_and_goes_round(page: Tab, report: Report) -> None:
    page.run("document.getElementById('to').value = '100'")
    page.run("document.getElementById('to').dispatchEvent(new Event('change'))")
    page.press(" ")
    assert page.run("document.getElementById('play').textContent") == "Stop"
    seen = page.run(
        "new Promise((done) => { const seen = []; const look = () => {"
        "seen.push(hearing.place()); if (seen.length > 40) done(seen); else setTimeout(look, 40);"
        "}; look(); })"
    )
    length = 0.1 * report.exhibits.room.heard[0].waves[0].shape[1] / report.exhibits.room.rate_hz
    assert max(seen) <= length
    assert sum(b < a for a, b in pairwise(seen)) >= 2  # gone round
    page.press("2")
    assert page.run("document.querySelector('input[name=voice]:checked').value") == "after"
    assert page.run("document.getElementById('status').textContent") == "hearing after"
    page.press(" ")
    assert page.run("document.getElementById('play').textContent") == "Play"
    assert page.faults == []


def test_the_loudness_of_a_stretch_is_that_of_the_library(report: Report) -> None:
    room = report.exhibits.room
    for wave in room.heard[0].waves:
        assert k_level_db(wave, room.rate_hz) == pytest.approx(
            level_of(wave[0], room.rate_hz), abs=0.05
        )


def tab_to(page: Tab, selector: str) -> None:
    """Go on with the Tab key until something has the focus, as one without a pointer would."""
    for _ in range(60):
        if page.run(f"document.activeElement.matches({selector!r})"):
            return
        page.press("Tab")
    pytest.fail(f"{selector} is not reached by the keyboard")


def test_a_blind_trial_runs_by_keyboard(page: Tab) -> None:
    tab_to(page, "#begin")
    page.press("Enter")
    assert page.run("document.getElementById('count').textContent") == "Round 1 of 10"
    assert page.run("document.getElementById('status').textContent") == "hearing X"
    assert page.run("document.querySelector('.voices').disabled")
    tab_to(page, "[data-hear=x]")
    page.press("Enter")
    tab_to(page, "[data-answer='0']")
    for _ in range(10):
        page.press("Enter")
    told = page.run("document.getElementById('result').textContent")
    right = int(told.split()[0])
    ways = [1, 10, 45, 120, 210, 252, 210, 120, 45, 10, 1]
    chance = sum(ways[right:]) / 1024
    assert f"{100 * chance:.1f} %" in told or chance < 0.001
    assert not page.run("document.querySelector('.voices').disabled")
    assert page.faults == []


def test_guessing_has_the_probability_of_the_binomial_law(page: Tab) -> None:
    from scipy.stats import binom

    found = page.run("Array.from({length: 11}, (_, right) => hearing.chance(right))")
    assert found == pytest.approx([float(binom.sf(right - 1, 10, 0.5)) for right in range(11)])
