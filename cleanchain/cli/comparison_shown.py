"""What a comparison lets see and hear: its figures and its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from cleanchain.audio.source import Source
    from cleanchain.measure.traces import Trace
    from cleanchain.report.paper import Drawing


@dataclass(frozen=True)
class Shown:
    """What is seen and heard, by what it is called.

    Parameters
    ----------
    captures : mapping of str to Source
        What is compared, A first.
    beside : mapping of str to Source
        What belongs to them: the same builds hearing a stimulus, or silent.
    removed : Source or None
        What a chain took out.
    lead_frames : mapping of str to int or None
        By how many frames each lies behind the first, where they are of one moment.
    """

    captures: Mapping[str, Source]
    beside: Mapping[str, Source] = field(default_factory=dict)
    removed: Source | None = None
    lead_frames: Mapping[str, int] | None = None

    @property
    def title(self) -> str:
        """Names of what is compared."""
        return ", ".join(self.captures)

    def traces(self) -> dict[str, Trace]:
        """Measure the spectra of all that is shown."""
        from cleanchain.measure.traces import measure_trace

        more = {} if self.removed is None else {"removed": self.removed}
        every = {**self.captures, **self.beside, **more}
        return {name: measure_trace(source) for name, source in every.items()}


def drawings(
    data: Mapping[str, Any], shown: Shown, traces: Mapping[str, Trace]
) -> dict[str, Drawing]:
    """Return the figures of a comparison by name."""
    from cleanchain.report.axes import typeset
    from cleanchain.report.comparison_charts import comparison_charts
    from cleanchain.report.drawing import drawing_of

    verdict = typeset(data["verdict"])
    heading = f"{verdict[0].upper()}{verdict[1:]}. {shown.title}"
    charts = comparison_charts(data, traces)
    return {name: drawing_of(chart, heading) for name, chart in charts.items()}


def write_comparison(
    data: Mapping[str, Any],
    shown: Shown,
    traces: Mapping[str, Trace],
    paths: Sequence[Path],
    page: Path,
    force: bool,
) -> None:
    """Write the page of a comparison, with hashes of all files that it rests on."""
    from cleanchain.audio.files import open_source
    from cleanchain.audio.hashing import hash_samples
    from cleanchain.hearing_room import room_of_captures
    from cleanchain.report.compare_page import compare_page
    from cleanchain.report.page import write_page

    together = shown.lead_frames is not None
    room = room_of_captures(
        shown.captures,
        shown.lead_frames,
        removed=shown.removed is not None,
        beside=None if together else shown.beside,
    )
    hashes = {path.name: hash_samples(open_source(path)) for path in dict.fromkeys(paths)}
    made = compare_page(shown.title, data, traces, room, hashes)
    write_page(made, page, overwrite=force)
