"""What a batch has done, a line a take, so that it can be resumed."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from cleanchain.audio.files import open_source
from cleanchain.audio.hashing import hash_samples
from cleanchain.batch.recipe import Job, Outcome, Recipe
from cleanchain.errors import CleanchainError

NAME = "cleanchain-batch.jsonl"
#: Seconds, loudness (LUFS) and true peak (dBTP); None where there is none.
Measured = tuple[float, float | None, float | None]
#: Longest line that is read, characters.
_MOST = 100_000


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

    def loudness(self, jobs: list[Job], key: str) -> dict[str, Measured]:
        """Return seconds, loudness and true peak of the takes that were measured and still are so.

        Parameters
        ----------
        jobs : list of Job
            Whose takes count.
        key : str
            Of the recipe with which they were cleaned before.
        """
        latest = {
            str(line["measured"]): line
            for line in self.lines()
            if line.get("key") == key and "measured" in line
        }
        return {
            take: (
                _number(line, "seconds") or 0.0,
                _number(line, "lufs"),
                _number(line, "peak_dbtp"),
            )
            for take in (str(job.take) for job in jobs)
            if (line := latest.get(take)) is not None
            and hash_of(Path(take)) == line.get("take_hash")
        }

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
    )


def _number(data: dict[str, Any], name: str) -> float | None:
    value = data.get(name)
    return float(value) if isinstance(value, int | float) else None
