from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from cleanchain.audio.files import open_source
from cleanchain.audio.hashing import hash_samples
from cleanchain.errors import CleanchainError, InputError
from cleanchain.receipts import read_receipt
from cleanchain.replay import replay

Json = Callable[..., dict[str, Any]]
GIVEN = ("take.wav", "--silence", "silence.wav", "--receipt")
SHORT = ("high-pass", "--corner", "83.7Hz", "gate", "--depth", "9dB")
RECEIPT = "out.wav.receipt.json"


def edited(folder: Path, change: Callable[[dict[str, Any]], Any]) -> None:
    data = json.loads((folder / RECEIPT).read_text())
    change(data)
    (folder / RECEIPT).write_text(json.dumps(data))


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take of hiss, its silence, and what became of it, made once."""
    folder = tmp_path_factory.mktemp("once")
    hiss = np.random.default_rng(1).standard_normal((2, 40_000))
    note = 0.2 * np.sin(0.2 * np.arange(20_000))
    hiss[0, 20_000:] += note / 0.003
    for name, row in zip(("take.wav", "silence.wav"), hiss, strict=True):
        soundfile.write(folder / name, 0.003 * row, 16_000, subtype="PCM_24")
    words = [sys.executable, "-m", "cleanchain", "clean", *GIVEN, "--out", "out.wav", *SHORT]
    subprocess.run(words, cwd=folder, check=True, capture_output=True)
    return folder


@pytest.fixture
def cleaned(once: Path, tmp_path: Path) -> Path:
    shutil.copytree(once, tmp_path, dirs_exist_ok=True)
    return tmp_path


def refused(folder: Path, into: Path | None = None, overwrite: bool = False) -> CleanchainError:
    with pytest.raises(CleanchainError) as caught:
        replay(read_receipt(folder / RECEIPT), folder, into=into, overwrite=overwrite)
    return caught.value


def test_a_receipt_holds_everything_that_the_samples_depend_on(captures: Path, run: Any) -> None:
    told = json.loads(
        run("clean", *GIVEN, "--out", "out.wav", "--json", "--also", "other.wav", "o.wav",
            "--removed", "gone.wav", "high-pass", "hum", "gate", "loudness").stdout
    )  # fmt: skip
    receipt = json.loads((captures / RECEIPT).read_text())
    assert receipt["schema"] == "cleanchain/receipt/1"
    assert {"cleanchain", "numpy", "scipy", "libsndfile"} <= set(receipt["versions"])
    assert [(one["role"], one["file"]) for one in receipt["inputs"]] == [
        ("take", "take.wav"), ("silence", "silence.wav"), ("also", "other.wav"),
    ]  # fmt: skip
    assert [(one["role"], one["file"]) for one in receipt["outputs"]] == [
        ("take", "out.wav"), ("also", "o.wav"), ("removed", "gone.wav"),
    ]  # fmt: skip
    for one in (*receipt["inputs"], *receipt["outputs"]):
        assert one["sample_hash"] == hash_samples(open_source(captures / one["file"]))
    assert receipt["ledger"] == told
    assert [one["stage"] for one in receipt["stages"]] == ["high-pass", "hum", "gate", "loudness"]
    assert all(
        one["settings"] == stage["settings"]
        for one, stage in zip(receipt["stages"], told["stages"], strict=True)
    )
    done = json.loads(run("replay", RECEIPT, "--json").stdout)
    assert done["proven"]
    assert [one["same"] for one in done["outputs"]] == [True] * 3
    assert not done["versions"]


@pytest.mark.parametrize(
    ("words", "stages"),
    [
        (("take.wav", "--silence", "0:00-0:01.3"), SHORT),
        (("take.wav", "--silence", "auto"), ("hum", "--mains", "50Hz", "gate", "--link")),
        (("take.wav", "--silence", "silence.wav"), ("gate", "--method", "threshold")),
        (("take.wav", "--silence", "silence.wav"), ("gate", "--depth", "0dB")),
    ],
)
def test_what_a_receipt_says_can_be_made_again(
    captures: Path, run: Any, words: tuple[str, ...], stages: tuple[str, ...]
) -> None:
    run("clean", *words, "--receipt", "--out", "out.wav", *stages)
    first = (captures / "out.wav").read_bytes()
    (captures / "out.wav").unlink()
    (captures / "new").mkdir()
    told = run("replay", RECEIPT, "--into", "new").stdout
    assert "out.wav: proven, sha256:" in told
    assert "is not there any more" in told
    assert (captures / "new" / "out.wav").read_bytes() == first


def test_a_reference_of_hum_belongs_to_what_is_proven(captures: Path, run: Any) -> None:
    rng = np.random.default_rng(8)
    t = np.arange(5 * 16_000) / 16_000
    dummy = 0.02 * np.cos(2 * np.pi * 50.02 * t) + 0.001 * rng.standard_normal(t.size)
    soundfile.write(captures / "dummy.wav", dummy, 16_000, subtype="PCM_24")
    words = ("clean", *GIVEN, "--out", "out.wav", "hum", "--reference")
    told = run(*words, "short.wav", code=4).stderr
    assert "short.wav" in told
    assert "Record the reference together with the take" in told
    run(*words, "dummy.wav")
    receipt = json.loads((captures / RECEIPT).read_text())
    assert [one["role"] for one in receipt["inputs"]] == ["take", "silence", "reference"]
    findings = receipt["ledger"]["stages"][0]["findings"]
    assert findings["followed_in"].endswith("dummy.wav")
    assert "proven" in run("replay", RECEIPT).stdout
    other_samples(captures / "dummy.wav")
    assert "is not the reference of the receipt" in str(refused(captures))
    edited(captures, lambda data: data["inputs"].pop())
    assert "references do not belong" in str(refused(captures))


def test_a_folder_can_be_moved_as_a_whole(cleaned: Path, run: Any) -> None:
    (cleaned / "moved").mkdir()
    for name in ("take.wav", "silence.wav", RECEIPT):
        shutil.move(cleaned / name, cleaned / "moved" / name)
    assert "proven" in run("replay", f"moved/{RECEIPT}").stdout


def test_without_a_folder_nothing_is_written(cleaned: Path, run: Any) -> None:
    before = {path.name: path.stat().st_mtime_ns for path in cleaned.iterdir()}
    run("replay", RECEIPT)
    assert {path.name: path.stat().st_mtime_ns for path in cleaned.iterdir()} == before


def test_other_metadata_around_the_same_samples_prove_the_same(cleaned: Path, run: Any) -> None:
    data = (cleaned / "take.wav").read_bytes() + b"note\x04\0\0\0harp"
    size = (len(data) - 8).to_bytes(4, "little")
    (cleaned / "take.wav").write_bytes(data[:4] + size + data[8:])
    assert "proven" in run("replay", RECEIPT).stdout


def other_samples(path: Path) -> None:
    values, rate = soundfile.read(path, dtype="int32")
    values[123] += 256
    soundfile.write(path, values, rate, subtype="PCM_24")


def other_length(path: Path) -> None:
    values, rate = soundfile.read(path, dtype="int32")
    soundfile.write(path, values[:-1], rate, subtype="PCM_24")


@pytest.mark.parametrize("name", ["take.wav", "silence.wav"])
@pytest.mark.parametrize(
    ("change", "code", "message"),
    [
        (Path.unlink, 3, "is missing; the receipt needs it as its"),
        (other_samples, 4, "its hash of the samples is"),
        (other_length, 4, "its number of frames is"),
    ],
)
def test_an_input_that_is_missing_or_changed_is_refused(
    cleaned: Path, name: str, change: Callable[[Path], None], code: int, message: str
) -> None:
    change(cleaned / name)
    (cleaned / "new").mkdir()
    error = refused(cleaned, into=cleaned / "new")
    assert error.exit_code == code
    assert name in error.where
    assert message in error.what
    assert not list((cleaned / "new").iterdir())


def test_an_output_that_was_changed_later_is_told(cleaned: Path, run: Any) -> None:
    other_samples(cleaned / "out.wav")
    told = run("replay", RECEIPT).stdout
    assert "proven" in told
    assert "has been changed since" in told


def test_what_comes_out_otherwise_is_no_proof(cleaned: Path, run: Any) -> None:
    """As with a library that rounds in another way: here a setting was changed by hand."""

    def change(data: dict[str, Any]) -> None:
        data["stages"][1]["settings"]["depth_db"] = 9.01
        data["versions"]["numpy"] = "1.0"

    edited(cleaned, change)
    done = run("replay", RECEIPT, code=6)
    assert "other than the receipt says" in done.stderr
    assert "numpy 1.0" in done.stderr
    assert "largest difference of a sample: -" in done.stdout


DAMAGED: list[tuple[Callable[[dict[str, Any]], Any], int, str]] = [
    (lambda d: d.update(schema="cleanchain/receipt/99"), 4, "this version knows"),
    (lambda d: d.update(schema="something else"), 3, "is not a receipt"),
    (lambda d: d.pop("inputs"), 3, "damaged receipt"),
    (lambda d: d["inputs"].clear(), 3, "damaged receipt"),
    (lambda d: d["inputs"][0].update(role="silence"), 3, "damaged receipt"),
    (lambda d: d["outputs"].clear(), 3, "damaged receipt"),
    (lambda d: d["outputs"].append(d["outputs"][0]), 3, "do not belong"),
    (lambda d: d["inputs"][0].update(frames="many"), 3, "damaged receipt"),
    (lambda d: d["inputs"][0].update(more=1), 3, "damaged receipt"),
    (lambda d: d["inputs"].pop(1), 3, "no silence file"),
    (lambda d: d["silence"].update(origin="ranges", ranges=[[0, 10**9]]), 3, "do not lie"),
    (lambda d: d["silence"].update(origin="auto", ranges=[[-5, 10]]), 3, "do not lie"),
    (lambda d: d["stages"][0].update(stage="magic"), 4, "not known here"),
    (lambda d: d["stages"][0]["settings"].update(width_hz=1), 4, "width_hz"),
    (lambda d: d["stages"][0]["settings"].update(corner_hz="60"), 4, "high-pass"),
    (lambda d: d["stages"][1]["settings"].update(depth_db=500.0), 2, "outside"),
    (lambda d: d["stages"][0]["settings"].update(corner_hz=1e308), 2, "corner"),
]


@pytest.mark.parametrize(("change", "code", "message"), DAMAGED)
def test_a_receipt_that_was_tampered_with_gets_one_clear_message(
    cleaned: Path, change: Callable[[dict[str, Any]], Any], code: int, message: str
) -> None:
    edited(cleaned, change)
    error = refused(cleaned)
    assert error.exit_code == code
    assert message in str(error)


@pytest.mark.parametrize(
    "text", ["", "[]", "null", "{" * 100_000, "[" * 100_000, "\0", "1e999", '{"schema": 1}', "{]"]
)
def test_what_is_no_receipt_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(InputError, match="is not a receipt"):
        read_receipt(tmp_path / "x.json")


def test_a_receipt_that_is_not_there_is_told(run: Any) -> None:
    assert "no such file" in run("replay", "x.json", code=3).stderr


def test_a_receipt_names_no_place_to_write_to(cleaned: Path, run: Any) -> None:
    """Only the last part of an output's name is used, inside the folder that the user names."""
    edited(cleaned, lambda data: data["outputs"][0].update(file="../../../etc/evil.wav"))
    (cleaned / "new").mkdir()
    run("replay", RECEIPT, "--into", "new")
    assert [path.name for path in (cleaned / "new").iterdir()] == ["evil.wav"]
    edited(cleaned, lambda data: data["outputs"][0].update(file="a/.."))
    assert refused(cleaned, into=cleaned / "new").exit_code == 5


def test_a_replay_never_replaces_an_input_and_nothing_without_force(
    cleaned: Path, run: Any
) -> None:
    assert "already exists" in refused(cleaned, into=cleaned).what
    assert "proven" in run("replay", RECEIPT, "--into", ".", "--force").stdout
    edited(cleaned, lambda data: data["outputs"][0].update(file="take.wav"))
    assert "never overwritten" in refused(cleaned, into=cleaned, overwrite=True).what


def test_an_older_receipt_is_replaced_with_force_only(cleaned: Path, run: Any) -> None:
    (cleaned / "out.wav").unlink()
    told = run("clean", *GIVEN, "--out", "out.wav", *SHORT, code=5).stderr
    assert RECEIPT in told
    assert not (cleaned / "out.wav").exists()
    run("clean", *GIVEN, "--out", "out.wav", "--force", *SHORT)
    assert "proven" in run("replay", RECEIPT).stdout


def test_two_runs_write_the_same_receipt(cleaned: Path, run: Any) -> None:
    first = (cleaned / RECEIPT).read_bytes()
    run("clean", *GIVEN, "--out", "out.wav", "--force", *SHORT)
    assert (cleaned / RECEIPT).read_bytes() == first


def test_a_dry_run_writes_no_receipt(captures: Path, run: Any) -> None:
    run("clean", *GIVEN, "--out", "out.wav", "--dry-run", *SHORT)
    assert not (captures / RECEIPT).exists()


def test_what_was_put_up_with_is_put_up_with_again(captures: Path, run: Any) -> None:
    """A take cut short and with a sample that is no number, salvaged and bridged."""
    values = 0.1 * np.random.default_rng(1).standard_normal(40_000)
    values[5000] = np.inf
    soundfile.write(captures / "bad.wav", values, 16_000, subtype="FLOAT")
    data = (captures / "bad.wav").read_bytes()
    (captures / "bad.wav").write_bytes(data[:-4000])
    words = ("bad.wav", "--silence", "silence.wav", "--out", "out.wav", "--receipt")
    assert "add --salvage" in run("clean", *words, "high-pass", code=3).stderr
    told = run("clean", *words, "--salvage", "--repair-nan", "high-pass").stderr
    assert "0.06 s of it are missing" in told
    assert "are bridged" in told
    assert "proven" in run("replay", RECEIPT).stdout


def test_the_floor_of_a_preset_is_an_input(
    captures: Path, run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(captures / "data"))
    run("tune", "silence.wav", "--save", "disc")
    words = ("clean", "take.wav", "--preset", "disc", "--fit", "anyway", "--out", "out.wav")
    run(*words, "--receipt")
    receipt = json.loads((captures / RECEIPT).read_text())
    assert receipt["silence"]["origin"] == "preset"
    floor = captures / receipt["inputs"][1]["file"]
    assert floor.suffix == ".npz"
    assert "proven" in run("replay", RECEIPT).stdout
    run("tune", "stereo.wav", "--save", "disc", "--force")
    assert "number of channels is 2" in run("replay", RECEIPT, code=4).stderr
    floor.unlink()
    assert "is missing" in run("replay", RECEIPT, code=3).stderr


def test_a_receipt_knows_names_that_are_no_text(captures: Path, run: Any) -> None:
    name = os.fsdecode(b"t\xe4ke \xf0\x9f\x8e\xb5.wav")
    shutil.copy(captures / "take.wav", captures / name)
    run("clean", name, "--silence", "silence.wav", "--out", "out.wav", "--receipt", *SHORT)
    assert "proven" in run("replay", RECEIPT).stdout
