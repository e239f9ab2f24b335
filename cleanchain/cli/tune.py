"""`cleanchain tune`: settings for one build, with their reasons, saved as a preset."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cleanchain.cli.options import PATH, Quantity, force_option, json_option
from cleanchain.cli.output import print_json, say, working

if TYPE_CHECKING:
    from cleanchain.presets.tuning import Tuned


@click.command("tune")
@click.argument("silence", type=PATH)
@click.option("--take", type=PATH, help="A typical take; what the gate may cost is measured on it.")
@click.option("--stimulus", type=PATH, help="The build hearing white noise, at the same gain.")
@click.option("--save", metavar="NAME", help="Keep it under this name: a-z, 0-9, hyphens.")
@click.option(
    "--max-cost",
    type=Quantity("level difference", 0.0, 20.0),
    default="1dB",
    show_default=True,
    help="Largest loss of the instrument that the gate may cause anywhere.",
)
@click.option("--about", default="", help="What the preset is for, in a line.")
@click.option("--notes", default="", help="For its passport: lead, interface, place of the gain.")
@force_option
@json_option
def command(
    silence: Path,
    take: Path | None,
    stimulus: Path | None,
    save: str | None,
    max_cost: float,
    about: str,
    notes: str,
    force: bool,
    as_json: bool,
) -> None:
    """Choose settings for the build recorded in SILENCE, and save them with its learned noise.

    SILENCE is the build without playing, ten seconds or more at the gain of the takes to come.
    """
    from cleanchain.audio.files import open_source
    from cleanchain.presets.store import own_path, read_text
    from cleanchain.presets.store import save as keep
    from cleanchain.presets.tuning import tune

    if save is not None:
        path = own_path(save, overwrite=force)
        if path.exists():
            old = read_text(path)
            about = about or old.about
            notes = notes or (old.passport.notes if old.passport else "")
    sources = [None if path is None else open_source(path) for path in (silence, take, stimulus)]
    assert sources[0] is not None
    with working("tuning", as_json):
        tuned = tune(sources[0], sources[1], sources[2], max_cost)
    saved = None
    if save is not None:
        saved = keep(
            save,
            lambda sha256: tuned.preset(about, notes, sha256),
            tuned.floor,
            tuned.reasons,
            f"Tuned to {silence.name}. Numbers may be edited; comments survive a new tuning.",
            overwrite=force,
        )
    if as_json:
        print_json(_as_data(tuned, silence, saved))
    else:
        _print(tuned, silence, take)
        say(f"saved: {saved}" if saved else "not saved: add --save NAME to keep it")


def _rows(tuned: Tuned) -> list[dict[str, Any]]:
    from cleanchain.presets.schema import settings_of

    return [
        {
            "stage": stage.name,
            "setting": key,
            "value": value,
            "reason": tuned.reasons.get((number, key), "usual"),
        }
        for number, stage in enumerate(tuned.stages)
        for key, value in settings_of(stage).items()
    ]


def _as_data(tuned: Tuned, silence: Path, saved: Path | None) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "schema": "cleanchain/tune/1",
        "silence": str(silence),
        "saved": None if saved is None else str(saved),
        "settings": _rows(tuned),
        "passport": {
            key: str(value) if key == "made" else value
            for key, value in asdict(tuned.passport).items()
            if key != "floor_sha256"
        },
        "notes": list(tuned.notes),
    }


def _print(tuned: Tuned, silence: Path, take: Path | None) -> None:
    from rich.table import Table

    from cleanchain.cli.output import console

    passport = tuned.passport
    hum = "no hum"
    if passport.mains_hz is not None:
        hum = f"hum {_levels(passport.hum_dbfs)} at {passport.mains_hz:.2f} Hz"
    terminal = console()
    terminal.print(f"{silence.name}: hiss {_levels(passport.hiss_dbfs)}, {hum}", markup=False)
    table = Table(box=None, pad_edge=False)
    for heading in ("stage", "setting", "why"):
        table.add_column(heading)
    last = ""
    for row in _rows(tuned):
        if row["reason"] == "usual":
            continue
        stage = "" if row["stage"] == last else row["stage"]
        table.add_row(stage, f"{row['setting']} = {row['value']}", row["reason"])
        last = row["stage"]
    terminal.print(table)
    for note in tuned.notes:
        terminal.print(note, markup=False)


def _levels(levels: tuple[float, ...]) -> str:
    return " / ".join(f"{level:.1f}" for level in levels) + " dBFS"
