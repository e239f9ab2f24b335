"""What a batch has done, a line a take, so that it can be resumed."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from cleanchain.audio.files import open_source
from cleanchain.audio.hashing import hash_samples
from cleanchain.batch.common_gain import Heard
from cleanchain.batch.recipe import Job, Outcome, Recipe
from cleanchain.errors import CleanchainError

NAME = "cleanchain-batch.jsonl"
#: Longest line that is read, characters; one with every loudness there can be has half as many.
_MOST = 250_000
#: No block of a take is as loud, in hundredths of LUFS, and no take has so many.
_LOUDEST, _MOST_BLOCKS = 20_000, 10_000_000


class Journal:
    """Lines of JSON in the folder of the outputs, each written to the disk as it comes.

    Parameters
    ----------
    folder : Path
        Of the outputs.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / NAME

    def add(self, data: dict[str, Any]) -> None:
        """Add a line."""
        line = json.dumps(data, ensure_ascii=True)
        with self.path.open("a", encoding="ascii") as file:
            if file.tell() and not self._ends_whole():
                file.write("\n")
            file.write(line + "\n")
            file.flush()
            os.fsync(file.fileno())

    def lines(self) -> Iterator[dict[str, Any]]:
        """Yield what was written; a line that was cut short by a power cut is left out."""
        try:
            text = self.path.read_text(encoding="ascii", errors="replace")
        except OSError:
            return
        for line in text.splitlines():
            try:
                data = json.loads(line) if len(line) < _MOST else None
            except (ValueError, RecursionError):
                continue
            if isinstance(data, dict):
                yield data

    def done(self, jobs: list[Job], recipe: Recipe) -> dict[Job, Outcome]:
        """Return the jobs whose output is there, whole, and made from this take by this recipe."""
        latest: dict[str, dict[str, Any]] = {}
        for data in self.lines():
            if data.get("status") == "done" and data.get("key") == recipe.key:
                latest[str(data.get("out"))] = data
        found = {}
        for job in jobs:
            line = latest.get(str(job.out))
            if line is not None and _still_so(job, line):
                found[job] = _outcome(job, line)
        return found

    def add_heard(self, job: Job, key: str, heard: Heard, take_hash: str) -> None:
        """Add what a take contributes to the loudness of all."""
        self.add(
            {
                "measured": str(job.take),
                "key": key,
                "take_hash": take_hash,
                "blocks": [list(pair) for pair in heard.blocks.items()],
                "peak_dbtp": heard.peak_dbtp,
            }
        )

    def heard(self, jobs: list[Job], key: str) -> dict[str, Heard]:
        """Return what was measured of the takes that are still the same.

        Parameters
        ----------
        jobs : list of Job
            Whose takes count.
        key : str
            Of the recipe with which they were measured.
        """
        latest = {
            str(line["measured"]): line
            for line in self.lines()
            if line.get("key") == key and "measured" in line
        }
        found = {}
        for take in (str(job.take) for job in jobs):
            line = latest.get(take)
            blocks = None if line is None else _blocks(line.get("blocks"))
            if line is None or blocks is None or not line.get("take_hash"):
                continue
            if hash_of(Path(take)) == line["take_hash"]:
                found[take] = Heard(blocks, _number(line, "peak_dbtp"))
        return found

    def _ends_whole(self) -> bool:
        with self.path.open("rb") as file:
            file.seek(-1, os.SEEK_END)
            return file.read() == b"\n"


def _still_so(job: Job, data: dict[str, Any]) -> bool:
    """Whether take and output hold the samples that they held when it was done."""
    if not job.out.exists():
        return False
    return hash_of(job.out) == data.get("out_hash") and hash_of(job.take) == data.get("take_hash")


def hash_of(path: Path) -> str | None:
    """Return the hash of a file's samples, None where it cannot be read."""
    try:
        return hash_samples(open_source(path))
    except CleanchainError:
        return None


def _outcome(job: Job, data: dict[str, Any]) -> Outcome:
    return Outcome(
        str(job.take),
        str(job.out),
        "kept",
        take_hash=str(data["take_hash"]),
        out_hash=str(data["out_hash"]),
        key=str(data["key"]),
        noise_removed_db=_number(data, "noise_removed_db"),
        cost_db=_number(data, "cost_db"),
        cost_where=None if data.get("cost_where") is None else str(data["cost_where"]),
        warnings=_texts(data.get("warnings")),
    )


def _texts(data: Any) -> tuple[str, ...]:
    return tuple(str(text) for text in data) if isinstance(data, list) else ()


def _number(data: dict[str, Any], name: str) -> float | None:
    value = data.get(name)
    return float(value) if isinstance(value, int | float) else None


def _blocks(data: Any) -> dict[int, int] | None:
    """Return counts by loudness, None where this is not what was written."""
    if not isinstance(data, list):
        return None
    pairs = [pair for pair in data if isinstance(pair, list) and len(pair) == 2]
    if len(pairs) < len(data) or not all(type(one) is int for pair in pairs for one in pair):
        return None
    if any(abs(step) > _LOUDEST or count < 1 for step, count in pairs):
        return None
    blocks: dict[int, int] = {int(step): int(count) for step, count in pairs}
    return blocks if sum(blocks.values()) < _MOST_BLOCKS else None
