from __future__ import annotations

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanchain.errors import FitError, InputError
from cleanchain.presets.schema import Passport, Preset
from cleanchain.presets.text import parse_preset, write_preset
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from cleanchain.stages.loudness import Loudness

LEVELS = st.floats(-200, 0)
WORDS = st.text(st.characters(exclude_categories=("Cs",)), max_size=60)
STAGE = st.one_of(
    st.builds(HighPass, st.floats(5, 1e5)),
    st.builds(Hum, st.sampled_from((None, 50.0, 60.0)), st.sampled_from(("track", "notch"))),
    st.builds(Gate, st.floats(0, 80), st.sampled_from(("estimate", "threshold")), st.booleans()),
    st.builds(Loudness, st.floats(-70, 0), st.floats(-60, 0)),
)


@st.composite
def passports(draw: st.DrawFn) -> Passport:
    channels = draw(st.integers(1, 4))
    each = st.lists(LEVELS, min_size=channels, max_size=channels).map(tuple)
    mains_hz = draw(st.none() | st.floats(45, 65))
    octaves = draw(st.lists(st.sampled_from((63.0, 125.0, 16000.0)), max_size=5))
    return Passport(
        made=draw(st.dates()),
        floor_sha256=draw(st.text("0123456789abcdef", min_size=64, max_size=64)),
        rate_hz=draw(st.integers(8_000, 384_000)),
        channels=channels,
        seconds=draw(st.floats(0.1, 60)),
        hiss_dbfs=draw(each),
        hum_dbfs=() if mains_hz is None else draw(each),
        octaves_hz=tuple(octaves),
        shape_dbfs=tuple(draw(LEVELS) for _ in octaves),
        mains_hz=mains_hz,
        notes=draw(WORDS),
    )


PRESETS = st.builds(
    Preset, st.lists(STAGE, min_size=1, max_size=6).map(tuple), WORDS, st.none() | passports()
)


@given(PRESETS, WORDS)
def test_any_preset_comes_back_as_it_was(preset: Preset, reason: str) -> None:
    text = write_preset(preset, {(0, "corner_hz"): reason, (0, "depth_db"): reason})
    assert parse_preset(text.encode(), "x") == preset


@given(PRESETS, PRESETS)
def test_any_preset_can_be_written_over_any_other(old: Preset, new: Preset) -> None:
    text = write_preset(new, old=write_preset(old, title="mine").encode())
    assert parse_preset(text.encode(), "x") == new
    assert text.startswith("# mine")


@given(PRESETS)
def test_the_same_preset_written_over_changes_no_byte(preset: Preset) -> None:
    text = write_preset(preset, {(0, "method"): "so"})
    assert write_preset(preset, old=text.encode()) == text


def test_comments_of_a_person_survive() -> None:
    text = """# my harp
[preset]
format = 1   # first
about = "harp"  # mine

# the room rumbles
[[stages]]
stage = "high-pass" # keep
corner_hz = 70 # lorries
# and here a line of its own
[[stages]]
stage = "gate"
depth_db = 9.5
"""
    read = parse_preset(text.encode(), "x")
    assert read.stages == (HighPass(70.0), Gate(9.5))
    again = write_preset(Preset((HighPass(90.0), Gate(9.5)), "harp"), old=text.encode())
    for comment in ("# my harp", "# first", "# mine", "# the room rumbles", "# keep", "# lorries",
                    "# and here a line of its own"):  # fmt: skip
        assert comment in again
    assert "corner_hz = 90.0" in again


def test_comments_survive_in_the_stages_that_stay() -> None:
    text = """[[stages]]
stage = "high-pass"
corner_hz = 70.0 # lorries
# a line of its own
[[stages]]
stage = "gate"
depth_db = 9.5 # shallow
"""
    wanted = (HighPass(70.0), Hum(), Gate(9.5))
    again = write_preset(Preset(wanted), old=text.encode())
    assert parse_preset(again.encode(), "x").stages == wanted
    for comment in ("# lorries", "# a line of its own", "# shallow"):
        assert comment in again
    back = write_preset(Preset((Gate(9.5),)), old=again.encode())
    assert parse_preset(back.encode(), "x").stages == (Gate(9.5),)
    assert "# shallow" in back


def test_a_reason_replaces_an_older_one_and_never_what_a_person_wrote() -> None:
    preset = Preset((HighPass(70.0), Gate(9.5)))
    corner, depth = (0, "corner_hz"), (1, "depth_db")
    text = write_preset(preset, {corner: "it is so"})
    assert "corner_hz = 70.0 # tuned: it is so" in text
    text = text.replace("depth_db = 9.5", "depth_db = 9.5 # I like it")
    again = write_preset(preset, {corner: "now", depth: "x"}, old=text.encode())
    assert "corner_hz = 70.0 # tuned: now" in again
    assert "depth_db = 9.5 # I like it" in again


def test_a_reference_of_hum_is_a_channel_and_never_a_file() -> None:
    """A file belongs to one take, and a preset from elsewhere must reach none."""
    head = '[preset]\nformat = 1\n[[stages]]\nstage = "hum"\nreference = '
    kept = parse_preset(f'{head}"channel 2"\n'.encode(), "x")
    assert kept.stages == (Hum(reference="channel 2"),)
    assert parse_preset(write_preset(kept).encode(), "x") == kept
    with pytest.raises(InputError, match=r"stages\[1\].reference: a file belongs to one take"):
        parse_preset(f'{head}"dummy.wav"\n'.encode(), "x")
    with pytest.raises(InputError, match="'channel 0' is no reference"):
        parse_preset(f'{head}"channel 0"\n'.encode(), "x")


def test_all_faults_are_told_at_once_with_path_and_suggestion() -> None:
    text = """
[preset]
format = 1
abuot = "x"
[[stages]]
stage = "gat"
[[stages]]
stage = "gate"
depth_db = 99
lnk = true
method = "estimte"
[[stages]]
stage = "high-pass"
corner_hz = nan
[[stages]]
stage = "hum"
mains_hz = "50Hz"
[passport]
made = "yesterday"
"""
    with pytest.raises(InputError) as caught:
        parse_preset(text.encode(), "mine.toml")
    told = str(caught.value)
    for piece in (
        "preset.abuot: no such key. Did you mean about?",
        "stages[1].stage: gat is no stage. Did you mean gate?",
        "stages[2].depth_db: a depth of 99 dB is outside 0 to 80",
        "stages[2].lnk: no such key. Did you mean link?",
        "stages[2].method: estimte is none. One of: estimate, threshold.",
        "stages[3].corner_hz",
        "stages[4].mains_hz: 50Hz is not a number",
        "passport.made: yesterday is not a date",
        "passport.rate_hz: is missing",
    ):
        assert piece in told


@pytest.mark.parametrize(
    "text",
    [
        b"\xff\xfe",
        b"a = " + b"[" * 50_000,
        b"a = " + b"{a=" * 3_000,
        b"a = " + b"9" * 10_000,
        b"a = !!python/object/apply:os.system ['x']",
        b"[preset]\nformat = 1\nstages = 3",
        b"[preset]\nformat = true\n[[stages]]\nstage = 'gate'",
        b"[preset]\nformat = 1\n[[stages]]\nstage = 'gate'\ndepth_db = 1e308",
        b"[preset]\nformat = 1\n[[stages]]\nstage = 'high-pass'\ncorner_hz = inf",
        b"[preset]\nformat = 1\n[[stages]]\nstage = 'gate'\ndepth_db = true",
        b"[preset]\nformat = 1\nstages = [" + b"{stage='gate'}," * 1000 + b"]",
        b"[preset]\nformat = 1\nabout = 3\n[[stages]]\nstage = 'gate'",
        b"[preset]\nformat = 1\n[[stages]]\nstage = ['gate']",
        b"\n".join(b"k%d = 1" % n for n in range(50_000)),
        b"",
    ],
)
def test_hostile_texts_are_one_plain_message(text: bytes) -> None:
    with pytest.raises(InputError):
        parse_preset(text, "x")


@given(st.binary(max_size=400) | st.text(max_size=400).map(str.encode))
def test_no_bytes_do_anything_but_read_or_be_refused(data: bytes) -> None:
    with pytest.raises(InputError):
        parse_preset(data, "x")


def test_a_newer_format_is_refused_by_name() -> None:
    with pytest.raises(FitError, match="format 2"):
        parse_preset(b"[preset]\nformat = 2\nnew_thing = 1\n[[stages]]\nstage = 'zap'", "x")


def test_the_passport_keeps_its_date() -> None:
    passport = Passport(datetime.date(2026, 3, 1), "0" * 64, 48_000, 1, 10.0, (-58.0,))
    text = write_preset(Preset((Gate(),), passport=passport))
    assert "made = 2026-03-01\n" in text
