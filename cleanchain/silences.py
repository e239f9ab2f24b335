"""Which silence belongs to a take: a file, stretches of the take, or the quietest ones found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cleanchain.audio.files import open_source
from cleanchain.audio.source import Excerpt, Source
from cleanchain.errors import InputError
from cleanchain.measure.silence import find_quiet
from cleanchain.units import format_time, looks_like_ranges, parse_ranges_s

#: Shortest silence that anything is learned from, s.
SHORTEST_S = 0.5
HOW_TO_RECORD = (
    "Record ten seconds of the same build, lead and gain without playing, and give the file "
    "with --silence FILE (or name quiet stretches of the take: --silence 0:00-0:08)."
)


@dataclass(frozen=True)
class Silence:
    """The silence of a take, and where it comes from.

    Parameters
    ----------
    source : Source or None
        None where no usable silence was found.
    origin : {"file", "ranges", "auto"}
        How it was named.
    path : Path or None
        Its file, where it is one.
    ranges_s : tuple of (float, float)
        Stretches of the take, in seconds.
    reason : str
        Why there is none.
    """

    source: Source | None
    origin: str
    path: Path | None = None
    ranges_s: tuple[tuple[float, float], ...] = ()
    reason: str = ""

    @property
    def words(self) -> str:
        """Say where the silence comes from and how long it is."""
        if self.source is None:
            return f"none: {self.reason}"
        seconds = f"{self.source.frames / self.source.rate_hz:.1f} s"
        if self.path is not None:
            return f"{self.path} ({seconds})"
        stretches = ", ".join(f"{format_time(a)}-{format_time(b)}" for a, b in self.ranges_s)
        found = "found in" if self.origin == "auto" else "from"
        return f"{stretches} {found} the take ({seconds})"

    def as_data(self) -> dict[str, Any] | None:
        """Return it as plain data; None where there is none."""
        if self.source is None:
            return None
        return {
            "origin": self.origin,
            "file": None if self.path is None else str(self.path),
            "ranges_s": [list(pair) for pair in self.ranges_s],
            "seconds": round(self.source.frames / self.source.rate_hz, 3),
        }


def choose_silence(take: Source, text: str = "auto") -> Silence:
    """Find the silence that a text names.

    Parameters
    ----------
    take : Source
        What is to be cleaned.
    text : str, optional
        A file, ranges of the take such as ``0:00-0:08,2:10-2:14``, or ``auto``.

    Raises
    ------
    InputError
        If the file cannot be read, a range lies outside the take, or the silence is too short.
    SettingError
        If a range cannot be read.
    """
    if text == "auto":
        quiet = find_quiet(take)
        if not quiet.ranges:
            return Silence(None, "auto", reason=quiet.reason)
        ranges_s = tuple((a / take.rate_hz, b / take.rate_hz) for a, b in quiet.ranges)
        source = Excerpt(take, quiet.ranges, "the take's own silence")
        return Silence(source, "auto", ranges_s=ranges_s)
    if looks_like_ranges(text) and not Path(text).exists():
        ranges_s = parse_ranges_s(text)
        frames = tuple((round(a * take.rate_hz), round(b * take.rate_hz)) for a, b in ranges_s)
        if frames[-1][1] > take.frames:
            raise InputError(
                f"the silence ends at {format_time(ranges_s[-1][1])}, after the take's end at "
                f"{format_time(take.frames / take.rate_hz)}",
                where=take.name,
                fix="Name stretches inside the take.",
            )
        stretches = Excerpt(take, frames, f"silence {text}")
        found = Silence(stretches, "ranges", ranges_s=ranges_s)
    else:
        path = Path(text)
        found = Silence(open_source(path), "file", path=path)
    heard = found.source
    if heard is not None and heard.frames < SHORTEST_S * heard.rate_hz:
        raise InputError(
            f"the silence is {heard.frames / heard.rate_hz:.2f} s short; "
            f"{SHORTEST_S:g} s are needed, ten are good",
            where=heard.name,
            fix=HOW_TO_RECORD,
        )
    return found
