"""`cleanchain clean`: a take in, a cleaned take and its ledger out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cleanchain.cli.options import PATH, force_option, json_option
from cleanchain.cli.output import print_json, say, working
from cleanchain.cli.plotting import check_plot, draw_figures, plot_options
from cleanchain.cli.preset_use import PresetName, use_preset
from cleanchain.cli.stage_group import StageGroup
from cleanchain.cli.stages import STAGES, default_chain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cleanchain.audio.files import FileSource
    from cleanchain.cleaning import Cleaning
    from cleanchain.exhibits import Exhibits
    from cleanchain.results import Role
    from cleanchain.stages.base import Stage


@click.group(
    "clean",
    cls=StageGroup,
    chain=True,
    invoke_without_command=True,
    subcommand_metavar="[STAGE [OPTIONS]]...",
)
@click.argument("take", type=PATH)
@click.option(
    "--silence",
    default="auto",
    show_default=True,
    metavar="FILE|RANGES|auto",
    help="The build without playing: a file, stretches of the take such as 0:00-0:08, or auto.",
)
@click.option(
    "--preset",
    type=PresetName(),
    metavar="NAME",
    help="Settings and learned noise of a build; stages given override.",
)
@click.option(
    "--fit",
    type=click.Choice(["check", "anyway"]),
    default="check",
    show_default=True,
    help="Refuse a take that does not fit the preset's passport, or use it anyway.",
)
@click.option("--out", type=PATH, help="Output file; TAKE.clean beside the take where left out.")
@click.option(
    "--also",
    type=PATH,
    nargs=2,
    multiple=True,
    metavar="IN OUT",
    help="Send another microphone's file through the plans made for TAKE.",
)
@plot_options("clean")
@click.option(
    "--removed",
    type=PATH,
    metavar="FILE",
    help="Write what was taken out, before the loudness gain.",
)
@click.option(
    "--report",
    type=PATH,
    metavar="FILE.html",
    help="Write one page to see, hear and send: it needs no network.",
)
@click.option("--explain", is_flag=True, help="Say how each number was obtained.")
@click.option("--dry-run", is_flag=True, help="Plan and account, write nothing.")
@click.option(
    "--receipt",
    "with_receipt",
    is_flag=True,
    help="Write beside the output what replay needs to make it again.",
)
@click.option("--salvage", is_flag=True, help="Work on what is there of a damaged or cut take.")
@click.option("--repair-nan", is_flag=True, help="Bridge samples that are no numbers.")
@click.option("--allow-clip", is_flag=True, help="Clip what passes full scale, do not refuse it.")
@force_option
@json_option
def command(**settings: Any) -> None:
    """Clean TAKE and write a ledger of what each stage removed and cost.

    Stages are named in the order in which they work, each with its own options after it; where
    none is named: high-pass hum gate loudness. Start monitors low after a loudness change.
    """


for _stage in STAGES:
    command.add_command(_stage)


@command.result_callback()
def run(
    stages: list[Stage],
    take: Path,
    silence: str,
    preset: str | None,
    fit: str,
    out: Path | None,
    also: tuple[tuple[Path, Path], ...],
    plot: Path | None,
    figure: str | None,
    plot_size: str,
    removed: Path | None,
    report: Path | None,
    explain: bool,
    dry_run: bool,
    with_receipt: bool,
    salvage: bool,
    repair_nan: bool,
    allow_clip: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Clean one take; the stages are planned in the order given."""
    from functools import partial

    from cleanchain.audio.files import open_source
    from cleanchain.audio.writing import check_place
    from cleanchain.cleaning import clean, get_ready
    from cleanchain.cli.ledger_table import print_ledger
    from cleanchain.cli.options import check_page
    from cleanchain.measure.inspection import inspect
    from cleanchain.operators.base import check_same_shape
    from cleanchain.precautions import below_clipping
    from cleanchain.report.inspection_words import of_channels
    from cleanchain.results import results_of
    from cleanchain.silences import choose_silence

    look = partial(open_source, salvage=salvage, repair_nan=repair_nan)
    source = look(take)
    target = out or take.with_name(f"{take.stem}.clean{take.suffix}")
    others = [(look(one), to) for one, to in also]
    for other, _ in others:
        check_same_shape(source, other)
    for opened in (source, *(other for other, _ in others)):
        for notice in opened.notices:
            say(f"{opened.name}: {notice}")
    get_ready(source)
    chosen, chain = None, stages or default_chain()
    if preset is not None:
        with working("comparing with the passport", as_json):
            chosen, chain = use_preset(preset, source, stages, silence, fit == "anyway")
    if chosen is None:
        with working("listening for the silence", as_json):
            chosen = choose_silence(source, silence)
    inputs = [take, *(one for one, _ in also), *([chosen.path] if chosen.path else [])]
    inputs += _references(chain, source)
    if not dry_run:
        extra = [] if removed is None else [(source, removed)]
        _check_targets([(source, target), *others, *extra], force, inputs)
        check_plot("clean", plot, figure, force, [*inputs, target])
        if with_receipt:
            check_place(_receipt_path(target), overwrite=force, protect=inputs)
        if report is not None:
            check_page(report, force, [*inputs, target])
    if chosen.origin == "auto":
        say(f"silence: {chosen.words}")
    notes: list[str] = []

    def inspected(some: Sequence[Stage]) -> list[Stage]:
        found = inspect(source)
        notes.extend(of_channels(found))
        return below_clipping(some, found)

    try:
        with working("looking, planning and accounting", as_json):
            result = clean(source, chosen, chain, inspected)
    finally:
        for line in notes:
            say(f"{source.name}: {line}")
    written = not dry_run
    if written:
        with working("writing", as_json):
            results = results_of(
                result.plan, source, [other for other, _ in others], removed is not None
            )
            targets = [target, *(to for _, to in others), *([removed] if removed else [])]
            made = [
                (
                    one.role,
                    to,
                    one.write(to, overwrite=force, protect=inputs, allow_clip=allow_clip),
                )
                for one, to in zip(results, targets, strict=True)
            ]
            if with_receipt:
                reading = (salvage, repair_nan, allow_clip)
                _write_receipt(result, [other for other, _ in others], made, reading, force)
    if written and (plot is not None or report is not None):
        from cleanchain.exhibits import collect

        with working("measuring what is shown", as_json):
            exhibits = collect(result)
        if plot is not None:
            with working("drawing", as_json):
                _draw(result, exhibits, take.name, plot, figure, plot_size)
        if report is not None:
            with working("writing the report", as_json):
                _report(result, exhibits, source, target, report, force)
    if as_json:
        print_json(result.as_data(str(take), str(target) if written else None))
    else:
        print_ledger(result, take, target if written else None, explain)


def _references(stages: list[Stage], take: FileSource) -> list[Path]:
    """Return the files that serve as references of hum, and refuse what does not fit the take."""
    from cleanchain.receipts import reference_files
    from cleanchain.stages.hum import Hum
    from cleanchain.stages.hum_reference import check_reference

    for stage in stages:
        if isinstance(stage, Hum) and stage.reference is not None:
            check_reference(stage.reference, take)
    return reference_files(stages)


def _check_targets(pairs: list[tuple[FileSource, Path]], force: bool, inputs: list[Path]) -> None:
    """Refuse before the work what could not be written after it."""
    from cleanchain.audio.writing import check_output
    from cleanchain.errors import PathError

    seen = set()
    for like, to in pairs:
        check_output(to, like, overwrite=force, protect=inputs)
        if to.resolve() in seen:
            raise PathError("two outputs have this name", where=str(to), fix="Name them apart.")
        seen.add(to.resolve())


def _receipt_path(target: Path) -> Path:
    from cleanchain.receipts import ENDING

    return target.with_name(target.name + ENDING)


def _write_receipt(
    result: Cleaning,
    others: list[FileSource],
    made: list[tuple[Role, Path, str]],
    reading: tuple[bool, bool, bool],
    force: bool,
) -> None:
    from cleanchain.receipts import Reading, make_receipt, write_receipt

    target = made[0][1]
    salvage, repair_nan, allow_clip = reading
    receipt = make_receipt(
        target.parent,
        result,
        others,
        Reading(salvage=salvage, repair_nan=repair_nan, allow_clip=allow_clip),
        made,
    )
    write_receipt(receipt, _receipt_path(target), overwrite=force)


def _draw(
    result: Cleaning, exhibits: Exhibits, name: str, plot: Path, figure: str | None, size: str
) -> None:
    from cleanchain.report.cleaning_charts import cleaning_charts
    from cleanchain.report.drawing import drawing_of

    charts = cleaning_charts(result, exhibits)
    drawings = {key: drawing_of(chart, name) for key, chart in charts.items()}
    draw_figures(drawings, plot, figure, size)


def _report(
    result: Cleaning, exhibits: Exhibits, take: FileSource, out: Path, path: Path, force: bool
) -> None:
    from cleanchain.audio.files import open_source
    from cleanchain.audio.hashing import hash_samples
    from cleanchain.report.cleaning_page import cleaning_page
    from cleanchain.report.page import write_page

    hashes = {take.path.name: hash_samples(take)}
    if result.silence.path is not None:
        hashes[result.silence.path.name] = hash_samples(open_source(result.silence.path))
    hashes[out.name] = hash_samples(open_source(out))
    page = cleaning_page(result, exhibits, take.path.name, hashes)
    write_page(page, path, overwrite=force)
