from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.errors import CleanchainError, FitError, InputError, PathError, SettingError
from cleanchain.presets import store
from cleanchain.presets.passport import learn
from cleanchain.presets.schema import STAGES, Preset
from cleanchain.presets.tuning import Tuned
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass


@pytest.fixture
def tuned(silence: Capture) -> Tuned:
    return Tuned((HighPass(), Gate()), {}, (), *learn(silence))


@pytest.fixture
def saved(tuned: Tuned, home: Path) -> Path:
    return store.save("disc", lambda sha: tuned.preset("harp", "at ten", sha), tuned.floor)


def test_what_is_saved_is_opened_again(saved: Path, silence: Capture, home: Path) -> None:
    stored = store.open_preset("disc")
    assert saved == home / "disc.toml"
    assert stored.preset.stages == (HighPass(), Gate())
    assert stored.preset.passport is not None
    assert stored.preset.passport.notes == "at ten"
    assert stored.floor is not None
    assert np.array_equal(stored.floor.silence.samples, silence.samples)
    assert not stored.shipped
    assert [path.name for path in sorted(home.iterdir())] == ["disc.npz", "disc.toml"]


def test_saving_again_needs_a_word(saved: Path, tuned: Tuned) -> None:
    with pytest.raises(PathError, match="there is a preset"):
        store.save("disc", lambda sha: tuned.preset("", "", sha), tuned.floor)
    store.save("disc", lambda _: Preset((Gate(),)), None, overwrite=True)
    assert store.open_preset("disc").floor is None
    assert not saved.with_suffix(".npz").exists()


def test_a_preset_is_carried_in_one_file(saved: Path, tmp_path: Path) -> None:
    saved.write_text("# mine\n" + saved.read_text())
    out = store.export("disc", tmp_path / "disc.zip")
    with pytest.raises(PathError):
        store.export("disc", out)
    with pytest.raises(PathError):
        store.import_file(out, "disc")
    store.remove("disc")
    assert not list(saved.parent.iterdir())
    store.import_file(out, "other")
    assert store.open_preset("other").floor is not None
    assert store.open_preset("other").path.read_text().startswith("# mine")


def test_removing_what_is_not_there_or_shipped(home: Path) -> None:
    with pytest.raises(SettingError, match="no preset"):
        store.remove("disc")
    with pytest.raises(PathError, match="comes with the program"):
        store.remove("bowed")
    with pytest.raises(SettingError):
        store.remove("../disc")


def zipped(**members: bytes) -> bytes:
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return whole.getvalue()


GOOD = b"[preset]\nformat = 1\n[[stages]]\nstage = 'gate'\n"
PASSPORT = b"[passport]\nmade = 2026-01-01\nfloor_sha256 = '%s'\nrate_hz = 16000\nchannels = 1\n\
seconds = 6.0\nhiss_dbfs = [-50.0]\n"


@pytest.mark.parametrize(
    "data",
    [
        b"PK\x03\x04 not really",
        zipped(**{"../../evil.toml": GOOD, "/abs.npz": b"x"}),
        zipped(**{"preset.toml": b"x" * (2 << 20)}),
        zipped(**{"preset.toml": b"[preset]\nformat = 1\nrun = 'rm'\n"}),
        zipped(**{"preset.toml": GOOD + PASSPORT % (b"0" * 64)}),
        zipped(**{"preset.toml": GOOD + PASSPORT % (b"0" * 64), "floor.npz": b"no"}),
        b"!!python/object/apply:os.system ['touch evil']",
        b"\x80\x04\x95",
        b"",
    ],
)
def test_hostile_files_write_nothing(data: bytes, tmp_path: Path, home: Path) -> None:
    before = set(tmp_path.rglob("*"))
    (tmp_path / "in").write_bytes(data)
    with pytest.raises((InputError, FitError)):
        store.import_file(tmp_path / "in", "mine")
    left = {path for path in set(tmp_path.rglob("*")) - before if path.is_file()}
    assert left == {tmp_path / "in"}


def test_other_members_of_an_archive_are_not_looked_at(tmp_path: Path, home: Path) -> None:
    (tmp_path / "in.zip").write_bytes(zipped(**{"preset.toml": GOOD, "../evil": b"x", "a/b": b"y"}))
    store.import_file(tmp_path / "in.zip", "mine")
    assert [path.name for path in home.iterdir()] == ["mine.toml"]
    assert not (tmp_path / "evil").exists()


def test_a_floor_behind_a_link_is_not_read(saved: Path, tmp_path: Path) -> None:
    floor = saved.with_suffix(".npz")
    floor.rename(tmp_path / "elsewhere.npz")
    floor.symlink_to(tmp_path / "elsewhere.npz")
    with pytest.raises(PathError, match="leads out"):
        store.open_preset("disc")


def test_a_passport_that_was_edited_is_told(saved: Path) -> None:
    saved.write_text(saved.read_text().replace("rate_hz = 16000", "rate_hz = 48000"))
    with pytest.raises(FitError, match="passport says 48000 Hz"):
        store.open_preset("disc")


def test_shipped_presets_are_whole_say_they_carry_no_floor_and_give_reasons() -> None:
    from cleanchain.presets.names import names_in, shipped_folder

    names = names_in(shipped_folder())
    assert {"ceramic-disc-50hz", "ceramic-disc-60hz", "hand-wound-coil-50hz", "bowed",
            "voice-range"} <= set(names)  # fmt: skip
    for name in names:
        path = shipped_folder() / f"{name}.toml"
        preset = store.read_text(path)
        assert preset.passport is None
        assert "no floor" in preset.about
        assert all(stage.name in STAGES for stage in preset.stages)
        for line in path.read_text(encoding="utf-8").splitlines():
            key = line.partition(" = ")[0]
            if (
                " = " in line
                and not line.startswith("#")
                and key not in ("format", "about", "stage")
            ):
                assert "  # " in line, f"{name}: {key} has no reason"


def test_one_of_ones_own_comes_before_a_shipped_one(home: Path) -> None:
    home.mkdir(parents=True)
    (home / "bowed.toml").write_bytes(GOOD)
    assert store.open_preset("bowed").preset.stages == (Gate(),)
    store.remove("bowed")
    assert store.open_preset("bowed").shipped


def test_no_damage_to_a_text_does_anything_but_be_told(saved: Path) -> None:
    whole = saved.read_bytes()
    rng = np.random.default_rng(1)
    for _ in range(200):
        damaged = bytearray(whole)
        damaged[rng.integers(0, len(whole))] = rng.integers(0, 256)
        saved.write_bytes(bytes(damaged))
        try:
            store.open_preset("disc")
        except CleanchainError:
            continue
