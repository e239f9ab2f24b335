"""The command `cleanchain compare`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from cleanchain.cli.options import PATH, json_option
from cleanchain.cli.output import console, print_json, working


@click.command()
@click.argument("captures", nargs=-1, required=True, type=PATH)
@click.option("--stimulus-a", type=PATH, help="A hearing the stimulus.")
@click.option("--stimulus-b", type=PATH, help="B hearing the same stimulus.")
@click.option(
    "--kind",
    type=click.Choice(["auto", "silence", "at-once"]),
    default="auto",
    show_default=True,
    help="Silence captures, or takes of the same moment.",
)
@json_option
def command(
    captures: tuple[Path, ...],
    stimulus_a: Path | None,
    stimulus_b: Path | None,
    kind: str,
    as_json: bool,
) -> None:
    """Compare build B with build A: `compare A B`, or repeats `compare A B A B`.

    Silence captures are compared band by band, with intervals. With --stimulus-a and --stimulus-b
    the verdict is on signal-to-noise; without them B is at most called quieter.
    """
    from cleanchain import compare
    from cleanchain.audio.files import open_source
    from cleanchain.errors import SettingError

    if len(captures) % 2 or (stimulus_a is None) != (stimulus_b is None):
        raise SettingError(
            "captures and stimuli are compared in pairs",
            fix="Write compare A B, repeats as A B A B, and both --stimulus-a and --stimulus-b.",
        )
    sources = [open_source(path) for path in captures]
    stimuli = [None if path is None else open_source(path) for path in (stimulus_a, stimulus_b)]
    with working("comparing", quiet=as_json):
        if kind == "auto":
            alone = len(sources) == 2 and stimuli[0] is None
            kind = "at-once" if alone and compare.is_at_once(*sources) else "silence"
        if kind == "at-once":
            if len(sources) != 2 or stimuli[0] is not None:
                raise SettingError("takes of the same moment are compared two at a time")
            result = compare.compare_takes(*sources)
        else:
            result = compare.compare_silences(sources[::2], sources[1::2], *stimuli)
    if as_json:
        print_json(result)
    else:
        _show(result)


def _show(result: dict[str, Any]) -> None:
    from rich.table import Table

    out = console()
    table = Table("band Hz", "B - A dB", "95 % interval", "differs", box=None)
    for row in result["bands"]:
        table.add_row(
            f"{row['centre_hz']:.0f}",
            f"{row['difference_db']:+.1f}",
            f"{row['low_db']:+.1f} to {row['high_db']:+.1f}",
            "yes" if row["differs"] else "",
        )
    out.print(f"taken for: {result['kind']}")
    out.print(table)
    if result["snr_bands"]:
        snr = Table(*(key.replace("_", " ") for key in result["snr_bands"][0]), box=None)
        for row in result["snr_bands"]:
            snr.add_row(*(_text(value) for value in row.values()))
        out.print("signal-to-noise", snr, sep="\n")
    if result["alignment"]:
        out.print("; ".join(f"{key} {value:.3f}" for key, value in result["alignment"].items()))
    if result["level_match_db"] is not None:
        out.print(f"bring B to A's loudness: {result['level_match_db']:+.2f} dB")
    for reason in result["reasons"]:
        out.print(f"- {reason}")
    out.print(result["verdict"])


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else ""
    return "not known" if value is None else f"{value:.2f}" if value < 100 else f"{value:.0f}"
