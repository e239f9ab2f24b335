"""`cleanchain inspect`: what a file is and what was found in it."""

from __future__ import annotations

from pathlib import Path

import click

from cleanchain.cli.options import PATH, json_option
from cleanchain.cli.output import print_json, working


@click.command("inspect")
@click.argument("file", type=PATH)
@json_option
def command(file: Path, as_json: bool) -> None:
    """Say what FILE is and what was found in it.

    Clipped peaks with their times, offset, digital silence, dead channels, samples that are no
    numbers, a header that does not tell the truth, traces of lossy coding, and a hash of the
    samples that is the same for the same samples in any container.
    """
    from cleanchain.audio.files import open_source
    from cleanchain.measure.inspection import inspect
    from cleanchain.report.inspection_words import describe, findings

    with working("looking at the file", as_json):
        found = inspect(open_source(file, salvage=True))
    if as_json:
        print_json(found.as_data())
        return
    for line in describe(found):
        click.echo(line)
    lines = findings(found)
    click.echo("found:" if lines else "found: nothing that stands in the way")
    for line in lines:
        click.echo(f"  {line}")
