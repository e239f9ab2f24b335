from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

Json = Callable[..., dict[str, Any]]

NUMBERS = {
    "noise_removed_db", "hum_removed_db", "hiss_removed_db", "signal_lost_db", "signal_error_db",
    "cost_db", "cost_where", "musical_noise", "evidence", "reasons",
}  # fmt: skip
GIVEN = ("take.wav", "--silence", "silence.wav")


def samples(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="int32", always_2d=True)[0]


def test_default_chain_cleans_and_accounts(captures: Path, run_json: Json) -> None:
    told = run_json("clean", *GIVEN, "--out", "out.wav", "--json")
    assert set(told) == {"schema", "take", "silence", "out", "stages", "total"}
    assert [stage["stage"] for stage in told["stages"]] == ["high-pass", "hum", "gate", "loudness"]
    assert all(
        NUMBERS | {"stage", "settings", "findings"} == set(stage) for stage in told["stages"]
    )
    assert set(told["total"]) == NUMBERS
    assert told["stages"][1]["findings"]["mains_hz"] == pytest.approx(50.02, abs=0.01)
    assert told["total"]["noise_removed_db"] > 10
    assert told["total"]["hum_removed_db"] > 15
    assert told["total"]["evidence"] == "trial"
    before, after = soundfile.info(captures / "take.wav"), soundfile.info(captures / "out.wav")
    for what in ("samplerate", "channels", "frames", "format", "subtype"):
        assert getattr(before, what) == getattr(after, what)


@pytest.mark.parametrize(
    "words",
    [
        ("take.wav", "--silence", "silence.wav", "--out", "out.wav", "--json"),
        ("--silence", "silence.wav", "--out", "out.wav", "--json", "take.wav"),
        ("--json", "--silence=silence.wav", "take.wav", "--out", "out.wav"),
        ("--json", "--silence", "silence.wav", "--out", "out.wav", "--", "take.wav"),
    ],
)
def test_own_options_stand_before_or_after_the_take(
    captures: Path, run_json: Json, words: tuple[str, ...]
) -> None:
    told = run_json("clean", *words, "high-pass", "--corner", "80Hz", "gate", "--depth", "6dB")
    assert [(stage["stage"]) for stage in told["stages"]] == ["high-pass", "gate"]
    assert told["stages"][0]["settings"] == {"corner_hz": 80.0}
    assert told["stages"][1]["settings"]["depth_db"] == 6.0
    assert told["out"] == "out.wav"


def test_a_file_named_like_a_stage_is_given_with_its_folder(captures: Path, run_json: Json) -> None:
    (captures / "take.wav").rename(captures / "gate")
    told = run_json("clean", "./gate", "--dry-run", "--json", "high-pass")
    assert told["take"] == "gate"


def test_stages_work_in_the_order_given(captures: Path, run_json: Json) -> None:
    told = run_json("clean", *GIVEN, "--dry-run", "--json", "loudness", "high-pass")
    assert [stage["stage"] for stage in told["stages"]] == ["loudness", "high-pass"]
    assert told["out"] is None


def test_silence_from_ranges_and_auto(captures: Path, run_json: Json) -> None:
    told = run_json("clean", "take.wav", "--silence", "0:00-0:01.4", "--dry-run", "--json", "gate")
    assert told["silence"]["ranges_s"] == [[0.0, 1.4]]
    told = run_json("clean", "take.wav", "--dry-run", "--json", "gate")
    assert told["silence"]["origin"] == "auto"
    assert told["silence"]["seconds"] >= 1.0
    assert told["silence"]["ranges_s"][0][0] < 0.2


def test_without_a_silence_the_noise_side_is_null(captures: Path, run_json: Json) -> None:
    hiss = np.random.default_rng(1).standard_normal(80_000) * 0.1
    soundfile.write(captures / "never-quiet.wav", hiss, 16_000)
    told = run_json("clean", "never-quiet.wav", "--dry-run", "--json", "high-pass", "loudness")
    assert told["silence"] is None
    assert told["total"]["noise_removed_db"] is None
    assert "silence" in told["total"]["reasons"]["noise_removed_db"]


def test_a_gate_without_a_silence_refuses_and_says_how_to_record_one(
    captures: Path, run: Callable[..., Any]
) -> None:
    hiss = np.random.default_rng(1).standard_normal(80_000) * 0.1
    soundfile.write(captures / "never-quiet.wav", hiss, 16_000)
    told = run("clean", "never-quiet.wav", "--out", "out.wav", code=3)
    assert "no silence" in told.stderr
    assert "Record ten seconds" in told.stderr
    assert not (captures / "out.wav").exists()


def test_another_microphone_goes_through_the_same_plans(captures: Path, run: Any) -> None:
    run("clean", *GIVEN, "--out", "out.wav", "--also", "other.wav", "other.out.wav",
        "high-pass", "hum", "gate")  # fmt: skip
    one, two = (soundfile.read(captures / name)[0] for name in ("out.wav", "other.out.wav"))
    # It is the take at half the level, in 16 bits: within its dither it must come out so.
    assert np.abs(0.5 * one - two).max() < 3 * 2.0**-15
    assert soundfile.info(captures / "other.out.wav").subtype == "PCM_16"


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_a_chain_of_identities_copies_bit_for_bit(
    captures: Path, run_json: Json, subtype: str
) -> None:
    noise = 0.01 * np.random.default_rng(2).standard_normal((30_000, 2))
    soundfile.write(captures / "x.wav", noise, 16_000, subtype=subtype)
    told = run_json(
        "clean", "x.wav", "--silence", "x.wav", "--out", "y.wav", "--json", "gate", "--depth", "0dB"
    )
    assert np.array_equal(samples(captures / "x.wav"), samples(captures / "y.wav"))
    assert told["total"]["signal_error_db"] == -120.0
    assert told["total"]["noise_removed_db"] == 0.0


def test_what_was_removed_and_what_is_left_add_up_to_the_take(captures: Path, run: Any) -> None:
    run("clean", *GIVEN, "--out", "out.wav", "--removed", "gone.wav", "high-pass", "hum", "gate")
    take, out, gone = (soundfile.read(captures / f"{x}.wav")[0] for x in ("take", "out", "gone"))
    assert np.abs(take - out - gone).max() < 4 * 2.0**-23  # two ditherings of 24 bits
    assert np.abs(gone).max() > 0.01


def test_explain_says_where_the_numbers_come_from(captures: Path, run: Any) -> None:
    told = run("clean", *GIVEN, "--dry-run", "--explain").stdout
    assert "stand-ins whose sum is the take" in " ".join(told.split())
    assert max(len(line) for line in told.splitlines()) <= 80


def test_two_runs_write_the_same_samples(captures: Path, run: Any) -> None:
    for name in ("one.wav", "two.wav"):
        run("clean", *GIVEN, "--out", name)
    assert np.array_equal(samples(captures / "one.wav"), samples(captures / "two.wav"))


def test_plot_is_drawn(captures: Path, run: Any) -> None:
    run("clean", *GIVEN, "--out", "out.wav", "--plot", "p.png", "high-pass")
    assert (captures / "p.png").read_bytes().startswith(b"\x89PNG")
    run("clean", *GIVEN, "--out", "out.wav", "--force", "--plot", "p.svg", "high-pass")
    assert "noise floor" in (captures / "p.svg").read_text()
    words = ("--plot", "p.png", "--figure", "mains", "high-pass")
    told = run("clean", *GIVEN, "--out", "out.wav", "--force", *words, code=2).stderr
    assert "spectra, spectrograms" in told


WRONG = [
    (("clean",), 2, "TAKE is missing"),
    (("clean", "gate"), 2, "TAKE is missing"),
    (("clean", "take.wav", "gatee"), 2, "gatee"),
    (("clean", "missing.wav"), 3, "no such file"),
    (("clean", "text.wav"), 3, "not a sound file"),
    (("clean", "empty.wav"), 3, "no audio"),
    (("clean", "folder.wav"), 3, "is a folder"),
    (("clean", "nan.wav", "--silence", "silence.wav"), 3, "nan at 0:00.4"),
    (("clean", "take.wav", "--silence", "otherrate.wav"), 4, "22050 Hz"),
    (("clean", "take.wav", "--silence", "stereo.wav"), 4, "2 channel"),
    (("clean", "take.wav", "--silence", "short.wav"), 3, "0.20 s short"),
    (("clean", "take.wav", "--silence", "zeros.wav", "gate"), 3, "digital silence"),
    (("clean", "take.wav", "--silence", "0:00-9:00"), 3, "after the take's end"),
    (("clean", "take.wav", "--silence", "0:03-0:01"), 2, "ends before it starts"),
    (("clean", "take.wav", "high-pass", "--corner", "60dB"), 2, "frequency"),
    (("clean", "take.wav", "gate", "--depth", "200dB"), 2, "outside"),
    (("clean", "take.wav", "gate", "--depth", "nan"), 2, "level difference"),
    (("clean", "take.wav", "loudness", "--target", "5LUFS"), 2, "outside"),
    (("clean", "take.wav", "hum", "--mains", "55Hz"), 2, "55 Hz"),
    (("clean", "take.wav", "--out", "take.wav", "--force"), 5, "never overwritten"),
    (("clean", "take.wav", "--out", "link.wav", "--force"), 5, "never overwritten"),
    (("clean", "take.wav", "--silence", "silence.wav", "--out", "silence.wav", "--force"), 5,
     "never overwritten"),
    (("clean", "take.wav", "--out", "other.wav"), 5, "already exists"),
    (("clean", "take.wav", "--out", "nowhere/out.wav"), 5, "does not exist"),
    (("clean", "take.wav", "--out", "out.flac"), 5, "WAV"),
    (("clean", "take.wav", "--plot", "p.jpg", "high-pass"), 2, ".png or .svg"),
    (("clean", "take.wav", "--also", "short.wav", "s.wav", "high-pass"), 4, "frames"),
    (("clean", "take.wav", "--also", "other.wav", "out.wav", "--out", "out.wav", "high-pass"), 5,
     "two outputs"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "code", "message"), WRONG, ids=lambda x: str(x)[:60])
def test_wrong_input_gets_one_clear_message_and_leaves_nothing(
    captures: Path, run: Any, words: tuple[str, ...], code: int, message: str
) -> None:
    (captures / "link.wav").symlink_to("take.wav")

    def state() -> dict[str, str]:
        return {
            path.name: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in captures.iterdir()
            if path.is_file()
        }

    before = state()
    told = run(*words, code=code)
    assert message in " ".join(told.stderr.split())
    assert state() == before


def test_an_output_that_exists_is_replaced_with_force_only(captures: Path, run: Any) -> None:
    run("clean", *GIVEN, "--out", "other.wav", "--force", "high-pass")
    assert soundfile.info(captures / "other.wav").subtype == "PCM_24"


def test_the_source_is_never_touched(captures: Path, run: Any) -> None:
    before = (captures / "take.wav").read_bytes(), (captures / "take.wav").stat().st_mtime_ns
    run("clean", *GIVEN)
    assert ((captures / "take.wav").read_bytes(), (captures / "take.wav").stat().st_mtime_ns) == (
        before
    )
    assert (captures / "take.clean.wav").exists()


def test_the_table_fits_80_columns_and_has_no_colour_without_a_terminal(
    captures: Path, run: Any
) -> None:
    told = run("clean", *GIVEN, "--dry-run")
    assert max(len(line) for line in told.stdout.splitlines()) <= 80
    assert "\x1b" not in told.stdout + told.stderr
    for stage in ("high-pass", "hum", "gate", "loudness", "all"):
        assert any(line.startswith(stage) for line in told.stdout.splitlines())


def test_a_gate_within_a_cost(captures: Path, run: Any, run_json: Json) -> None:
    gate = ("gate", "--depth", "20dB", "--max-cost")
    told = run_json("clean", *GIVEN, "--dry-run", "--json", *gate, "20dB")
    settings = told["stages"][0]["settings"]
    assert settings["depth_db"] == 20.0
    assert settings["max_cost_db"] == 20.0
    assert (
        "leave the gate out"
        in run("clean", *GIVEN, "--dry-run", *gate[:1], "--max-cost", "0.05dB", code=7).stderr
    )
