from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanchain.errors import CleanchainError, PathError, SettingError
from cleanchain.presets import names


@pytest.mark.parametrize("name", ["bridge-disc", "a", "2024-coil-3", "x" * 64])
def test_slugs_are_names(name: str) -> None:
    assert names.check_name(name) == name


@pytest.mark.parametrize(
    "name",
    [
        "../../x", "/etc/passwd", "a/b", "a\\b", "a\0b", "", ".", "..", "con", "lpt1", "COM1",
        "Bridge", "br\u0456dge", "\uff41bc", "a--b", "-a", "a-", "a b", "x" * 65, "a.toml", "a\n",
        "C:x", "~",
    ],
)  # fmt: skip
def test_nothing_else_is(name: str) -> None:
    with pytest.raises(SettingError):
        names.find_preset(name)


@given(st.text(max_size=300))
def test_a_suggested_name_is_one(text: str) -> None:
    if slug := names.slug_of(text):
        assert names.check_name(slug) == slug


@given(st.text(max_size=100))
def test_no_text_leads_out_of_the_folder(text: str) -> None:
    try:
        found = names.find_preset(text)
    except CleanchainError:
        return
    assert found.resolve().parent in (
        names.own_folder().resolve(),
        names.shipped_folder().resolve(),
    )


def test_a_link_out_of_the_folder_is_refused(home: Path, tmp_path: Path) -> None:
    home.mkdir(parents=True)
    (tmp_path / "secret.toml").write_text("[preset]\nformat = 1\n")
    (home / "mine.toml").symlink_to(tmp_path / "secret.toml")
    with pytest.raises(PathError, match="leads out"):
        names.find_preset("mine")


def test_an_unknown_name_gets_a_suggestion(home: Path) -> None:
    home.mkdir(parents=True)
    (home / "bridge-disc.toml").write_text("")
    with pytest.raises(SettingError, match="Did you mean bridge-disc"):
        names.find_preset("brige-disc")


def test_a_folder_that_is_not_absolute_does_not_count(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", "here")
    assert names.own_folder().is_absolute()
    assert "here" not in names.own_folder().parts
