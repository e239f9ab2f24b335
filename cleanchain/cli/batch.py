"""`cleanchain batch`: many takes of one build, cleaned by its preset."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cleanchain.cli.options import PATH, force_option, json_option
from cleanchain.cli.output import console, print_json, say, working
from cleanchain.cli.preset_use import PresetName

if TYPE_CHECKING:
    from cleanchain.batch.recipe import Job, Outcome
    from cleanchain.batch.running import Ran
    from cleanchain.stages.loudness import CommonGain

#: Rows of the summary; the rest is counted.
_ROWS = 20


@click.command("batch")
@click.argument("takes", type=PATH, nargs=-1, required=True)
@click.option("--preset", type=PresetName(), required=True, metavar="NAME", help="Of the build.")
@click.option("--out-dir", type=PATH, required=True, help="Folder of the results; it is made.")
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    help="Takes at once, each on one core; as many as cores where left out.",
)
@click.option("--resume", is_flag=True, help="Keep what an earlier run has done.")
@click.option(
    "--common-gain", is_flag=True, help="One gain for all takes, so that they keep their balance."
)
@click.option(
    "--fit",
    type=click.Choice(["check", "anyway"]),
    default="check",
    show_default=True,
    help="Refuse takes that do not fit the preset's passport, or use it anyway.",
)
@click.option(
    "--cluster",
    metavar="tcp://HOST:PORT",
    help="Let the workers of this dask scheduler do it; they see the same folders.",
)
@force_option
@json_option
def command(
    takes: tuple[Path, ...],
    preset: str,
    out_dir: Path,
    jobs: int | None,
    resume: bool,
    common_gain: bool,
    fit: str,
    cluster: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Clean TAKES into a folder, one process a take; one bad take stops nothing.

    The summary has the worst first. Ctrl-C keeps what is done; --resume goes on from there. Exit
    code 1 where a take failed or did not fit.
    """
    from cleanchain.audio.atomic import clear_debris
    from cleanchain.cli.interrupts import stoppable

    progress = _Progress(len(takes))

    def work(stopped: Callable[[], bool]) -> bool:
        from cleanchain.batch.engine import cores
        from cleanchain.batch.recipe import Recipe
        from cleanchain.batch.running import Way, plan_jobs, run_batch
        from cleanchain.presets.fit import levels_of
        from cleanchain.presets.store import open_preset

        stored = open_preset(preset)
        planned = plan_jobs(takes, out_dir)
        _make_folder(out_dir)
        if not (resume or force):
            _check_free(planned)
        with working("reading the preset", as_json):
            levels = None if stored.floor is None else levels_of(stored.floor)
        recipe = Recipe(stored, stored.preset.stages, levels, fit == "anyway", force)
        way = Way(jobs or cores(), cluster, resume, common_gain)
        ran = run_batch(planned, recipe, way, progress.told, progress.measured, stopped)
        if as_json:
            print_json(_as_data(ran, preset))
        else:
            _print(ran, takes, common_gain)
        return all(outcome.well for outcome in ran.outcomes)

    def farewell() -> None:
        clear_debris([out_dir / take.name for take in takes])
        say(f"stopped with {progress.done} of {len(takes)} done; go on with --resume")

    if not stoppable(work, _end_processes, farewell):
        click.get_current_context().exit(1)


def _end_processes() -> bool:
    """End the processes that clean; False as long as there cannot be any."""
    engine = sys.modules.get("cleanchain.batch.engine")
    if engine is None or "joblib" not in sys.modules:
        return False
    end: Callable[[], None] = engine.end_processes
    end()
    return True


def _make_folder(folder: Path) -> None:
    from cleanchain.errors import PathError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PathError(f"cannot be made ({error.strerror})", where=str(folder)) from None


def _check_free(planned: list[Job]) -> None:
    from cleanchain.errors import PathError

    there = [job.out for job in planned if job.out.exists()]
    if there:
        more = f" and {len(there) - 1} more" if len(there) > 1 else ""
        raise PathError(
            f"already exists{more}",
            where=str(there[0]),
            fix="Add --resume to keep what is done, or --force to do it again.",
        )


class _Progress:
    """A line on stderr for every take."""

    def __init__(self, total: int) -> None:
        self._total, self.done, self._heard, self._worked = total, 0, 0, 0
        self._start = time.monotonic()

    def measured(self, name: str) -> None:
        self._heard += 1
        say(f"[{self._heard}/{self._total}] loudness of {Path(name).name}")

    def told(self, outcome: Outcome) -> None:
        self.done += 1
        self._worked += outcome.status != "kept"
        left = ""
        if self._worked and self.done < self._total:
            each = (time.monotonic() - self._start) / self._worked
            left = f", about {each * (self._total - self.done) / 60:.0f} min left"
        words = _in_a_line(outcome.words) if outcome.words else _numbers(outcome)
        name = Path(outcome.take).name
        say(f"[{self.done}/{self._total}] {outcome.status} {name}: {words}{left}")


def _in_a_line(words: str) -> str:
    """Return the first line, with the next where it only announces that one."""
    first, *rest = words.splitlines()
    return f"{first} {rest[0]}" if first.endswith(":") and rest else first


def _numbers(outcome: Outcome) -> str:
    cost = "no cost found"
    if outcome.cost_db is not None and outcome.cost_db >= 0.05:
        cost = f"cost {outcome.cost_db:.1f} dB, {outcome.cost_where}"
    if outcome.noise_removed_db is None:
        return cost
    return f"noise {-outcome.noise_removed_db:+.1f} dB, {cost}"


def _as_data(ran: Ran, preset: str) -> dict[str, Any]:
    from cleanchain.batch.recipe import worst_first

    common = ran.common
    return {
        "schema": "cleanchain/batch/1",
        "preset": preset,
        "common_gain_db": None if common is None else common.gain_db,
        "together_lufs": None if common is None else common.together_lufs,
        "shortfall_db": None if common is None else common.shortfall_db,
        "takes": [outcome.as_data() for outcome in worst_first(ran.outcomes)],
    }


def _print(ran: Ran, takes: tuple[Path, ...], common_gain: bool) -> None:
    from rich.table import Table

    from cleanchain.batch.recipe import worst_first

    table = Table(box=None, pad_edge=False)
    for heading in ("take", "", "what"):
        table.add_column(heading)
    ordered = worst_first(ran.outcomes)
    for outcome in ordered[:_ROWS]:
        words = [outcome.words or _numbers(outcome), *outcome.warnings]
        table.add_row(Path(outcome.take).name, outcome.status, "\n".join(words))
    console().print(table)
    if len(ordered) > _ROWS:
        click.echo(f"and {len(ordered) - _ROWS} more, none of them worse")
    if common_gain and ran.common is None:
        click.echo("no common gain: none of the takes has a loudness")
    elif ran.common is not None:
        click.echo(_gain_words(ran.common, takes))
    counts = {one.status: 0 for one in ordered}
    for one in ordered:
        counts[one.status] += 1
    click.echo(", ".join(f"{number} {status}" for status, number in counts.items()))


def _gain_words(common: CommonGain, takes: tuple[Path, ...]) -> str:
    words = f"common gain: {common.gain_db:+.2f} dB; all together {common.together_lufs:.1f} LUFS"
    words += f" before it, {common.together_lufs + common.gain_db:.1f} after"
    if common.shortfall_db > 0.05:
        words += f", {common.shortfall_db:.1f} dB short: the peak of {takes[common.hottest].name}"
        words += " sets the limit"
    return words + ("; start your monitors low" if common.gain_db > 0 else "")
