from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

GIVEN = ("take.wav", "--silence", "silence.wav", "--out", "out.wav")


def test_clean_writes_a_page(captures: Path, run: Callable[..., Any]) -> None:
    run("clean", *GIVEN, "--report", "page.html")
    page = (captures / "page.html").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert "take.wav" in page
    assert "wave-0-0" in page
    run("clean", *GIVEN, "--force", "--report", "page.html")
    assert (captures / "page.html").read_text(encoding="utf-8") == page


def test_a_report_is_refused_before_the_work(captures: Path, run: Callable[..., Any]) -> None:
    run("clean", *GIVEN, "--report", "page.txt", code=2)
    (captures / "page.html").write_text("mine")
    run("clean", *GIVEN, "--report", "page.html", code=5)
    assert (captures / "page.html").read_text() == "mine"
    assert not (captures / "out.wav").exists()


def test_a_dry_run_and_a_chain_without_work(captures: Path, run: Callable[..., Any]) -> None:
    run("clean", *GIVEN, "--dry-run", "--report", "page.html")
    assert not (captures / "page.html").exists()
    run("clean", *GIVEN, "--report", "page.html", "gate", "--depth", "0dB")
    assert "Nothing was changed" in (captures / "page.html").read_text(encoding="utf-8")
