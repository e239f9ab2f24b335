"""What a planned chain makes of its files: which samples, in whose format."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from numpy.typing import NDArray

from cleanchain.audio.difference import Difference
from cleanchain.audio.file_source import FileSource
from cleanchain.audio.source import Source
from cleanchain.audio.writing import as_written, write_source
from cleanchain.chain import ChainPlan
from cleanchain.operators.planned import Planned

#: The take as cleaned, another microphone through the same plans, what was taken out.
Role = Literal["take", "also", "removed"]


@dataclass(frozen=True)
class Result:
    """The samples of one file that a cleaning makes.

    Parameters
    ----------
    role : {"take", "also", "removed"}
        What it is.
    samples : Source
        What is written.
    like : FileSource
        The input whose format, chunks and dither it has.
    exact : bool
        Whether these are the very samples of `like`.
    history : str
        What was done, for the coding history of a broadcast WAV.
    """

    role: Role
    samples: Source
    like: FileSource
    exact: bool
    history: str

    def write(
        self, path: Path, *, overwrite: bool, protect: Sequence[Path], allow_clip: bool = False
    ) -> str:
        """Write it and return the hash of its samples; see `write_source`."""
        return write_source(
            path,
            self.samples,
            self.like,
            overwrite=overwrite,
            exact=self.exact,
            protect=protect,
            history=self.history,
            allow_clip=allow_clip,
        )

    def as_written(self, *, allow_clip: bool = False) -> Iterator[NDArray[Any]]:
        """Yield the samples of the file it would be; see `cleanchain.audio.writing.as_written`."""
        return as_written(self.samples, self.like, exact=self.exact, allow_clip=allow_clip)


def results_of(
    plan: ChainPlan, take: FileSource, also: Sequence[FileSource] = (), removed: bool = False
) -> list[Result]:
    """Return what a plan makes of the files it is sent.

    Parameters
    ----------
    plan : ChainPlan
        Made for `take`.
    take : FileSource
        What drives the plan.
    also : sequence of FileSource, optional
        Further files of the same shape, which get exactly the same.
    removed : bool, optional
        Whether take less cleaned take, before a declared gain at the end, is one of the results.

    Returns
    -------
    list of Result
        The take's first, then one for each of `also`, then what was removed.
    """
    exact = plan.is_identity
    history = ", ".join(one.stage.name for one in plan.plans if not one.is_identity)
    results = [Result("take", plan.output, take, exact, history)]
    for other in also:
        moved = other if exact else Planned(take, plan.operator, passenger=other)
        results.append(Result("also", moved, other, exact, history))
    if removed:
        gone = Difference(take, plan.before_gain, "removed")
        results.append(Result("removed", gone, take, False, f"removed by {history}"))
    return results
