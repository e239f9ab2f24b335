"""`cleanchain preset`: what presets there are, what is in them, whether they fit, and where to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cleanchain.cli.options import PATH, force_option, json_option
from cleanchain.cli.output import console, print_json, say, working
from cleanchain.cli.preset_use import PresetName

if TYPE_CHECKING:
    from cleanchain.presets.fit import Fit
    from cleanchain.presets.store import Stored


@click.group("preset")
def command() -> None:
    """Keep presets: the settings of builds, with the noise learned from them."""


@command.command("list")
@json_option
def list_presets(as_json: bool) -> None:
    """List all presets, one's own first."""
    from rich.table import Table

    from cleanchain.presets import names

    rows = []
    for folder, whose in ((names.own_folder(), "own"), (names.shipped_folder(), "shipped")):
        rows += [_row(folder / f"{name}.toml", whose) for name in names.names_in(folder)]
    if as_json:
        print_json({"schema": "cleanchain/preset-list/1", "presets": rows})
        return
    table = Table(box=None, pad_edge=False)
    for heading in ("name", "whose", "floor", "about"):
        table.add_column(heading)
    for row in rows:
        table.add_row(row["name"], row["whose"], row["floor"], row["about"] or row["fault"] or "")
    console().print(table)
    say(f"your own lie in {names.own_folder()}")


def _row(path: Path, whose: str) -> dict[str, Any]:
    from cleanchain.errors import CleanchainError
    from cleanchain.presets.store import read_text

    row = {"name": path.stem, "whose": whose, "floor": "none", "about": "", "fault": None}
    try:
        preset = read_text(path)
    except CleanchainError:
        return {**row, "floor": "?", "fault": f"has faults: cleanchain preset show {path.stem}"}
    passport = preset.passport
    if passport is not None:
        mains = "no hum" if passport.mains_hz is None else f"{passport.mains_hz:.0f} Hz"
        row["floor"] = f"{max(passport.hiss_dbfs):.1f} dBFS, {mains}, {passport.made}"
    return {**row, "about": preset.about}


@command.command("show")
@click.argument("name", type=PresetName())
@json_option
def show(name: str, as_json: bool) -> None:
    """Show the settings of NAME with their comments, and whether its floor is there."""
    from cleanchain.presets.schema import settings_of
    from cleanchain.presets.store import open_preset

    stored = open_preset(name)
    if as_json:
        print_json(
            {
                "schema": "cleanchain/preset/1",
                "name": name,
                "file": str(stored.path),
                "about": stored.preset.about,
                "stages": [
                    {"stage": stage.name, "settings": settings_of(stage)}
                    for stage in stored.preset.stages
                ],
                "passport": _passport(stored),
            }
        )
        return
    click.echo(stored.path.read_text(encoding="utf-8").rstrip("\n"))
    say(f"{stored.path}: {_floor_words(stored)}")


def _passport(stored: Stored) -> dict[str, Any] | None:
    from dataclasses import asdict

    passport = stored.preset.passport
    return None if passport is None else {**asdict(passport), "made": str(passport.made)}


def _floor_words(stored: Stored) -> str:
    passport = stored.preset.passport
    if passport is None:
        return "carries no floor; name a --silence, or let the take's own be found"
    return f"its floor is there, {passport.seconds:g} s of it, as it was saved"


@command.command("compare")
@click.argument("one", type=PresetName())
@click.argument("other", type=PresetName())
@json_option
def compare(one: str, other: str, as_json: bool) -> None:
    """Say in which settings two presets differ, and how far their floors lie apart."""
    from cleanchain.presets.fit import compare_floors
    from cleanchain.presets.store import open_preset

    a, b = open_preset(one), open_preset(other)
    rows = _differences(a, b)
    fit, why = None, ""
    if a.floor is None or b.floor is None:
        why = f"{one if a.floor is None else other} carries no floor"
    else:
        here, there = a.floor.silence, b.floor.silence
        if (here.rate_hz, here.channels) != (there.rate_hz, there.channels):
            why = "they were recorded at other rates or in other channels"
        else:
            with working("comparing", as_json):
                fit = compare_floors(a.floor, b.floor)
    if as_json:
        data = {"schema": "cleanchain/preset-compare/1", "one": one, "other": other}
        floors = (
            {"floors": None, "reasons": {"floors": why}}
            if fit is None
            else {"floors": fit.as_data()}
        )
        print_json({**data, "settings": rows, **floors})
        return
    for row in rows:
        click.echo(f"{row['setting']}: {row['one']} in {one}, {row['other']} in {other}")
    if not rows:
        click.echo("the settings are the same")
    if fit is None:
        click.echo(f"floors not compared: {why}")
        return
    click.echo(f"the floor of {other} against that of {one}:")
    for finding in fit.findings:
        click.echo(f"  {finding.words}")
    if fit.gain.moved:
        click.echo(f"  everything common lies {fit.gain.move_db:+.1f} dB: another gain")


def _differences(a: Stored, b: Stored) -> list[dict[str, Any]]:
    from cleanchain.presets.schema import settings_of

    flat = []
    for stored in (a, b):
        settings: dict[str, Any] = {}
        for stage in stored.preset.stages:
            settings[stage.name] = "there"
            settings |= {f"{stage.name}.{k}": v for k, v in settings_of(stage).items()}
        flat.append(settings)
    return [
        {"setting": key, "one": flat[0].get(key, "not set"), "other": flat[1].get(key, "not set")}
        for key in {**flat[0], **flat[1]}
        if flat[0].get(key) != flat[1].get(key)
    ]


@command.command("check")
@click.argument("name", type=PresetName())
@click.argument("takes", type=PATH, nargs=-1)
@json_option
def check(name: str, takes: tuple[Path, ...], as_json: bool) -> None:
    """Check that NAME is whole, and whether TAKES were recorded with its floor.

    Ends with exit code 4 where a take does not fit.
    """
    from cleanchain.presets.store import open_preset

    stored = open_preset(name)
    results = [(take, *_fit(stored, take)) for take in takes]
    if as_json:
        print_json(
            {
                "schema": "cleanchain/preset-check/1",
                "name": name,
                "takes": [
                    {"take": str(take), "fits": not fault, "fault": fault or None}
                    | ({} if fit is None else fit.as_data())
                    for take, fit, fault in results
                ],
            }
        )
    else:
        click.echo(f"{name}: {_floor_words(stored)}")
        for take, fit, fault in results:
            click.echo(f"{take}: {fault or (fit.verdict if fit else 'nothing to compare')}")
            for finding in fit.findings if fit and not fault else ():
                click.echo(f"  {finding.words}")
    if any(fault for _, _, fault in results):
        click.get_current_context().exit(4)


def _fit(stored: Stored, take: Path) -> tuple[Fit | None, str]:
    from cleanchain.audio.files import open_source
    from cleanchain.errors import FitError
    from cleanchain.presets.applying import explain_misfit, fit_of

    try:
        fit = fit_of(stored, open_source(take))
    except FitError as error:
        return None, error.what
    if fit is not None and fit.verdict == "refused":
        what, fix = explain_misfit(fit, stored)
        return fit, f"{what}\n{fix}".replace("\n", "\n  ")
    return fit, ""


@command.command("remove")
@click.argument("name", type=PresetName())
def remove(name: str) -> None:
    """Remove one of your presets and its floor."""
    from cleanchain.presets import store

    for path in store.remove(name):
        click.echo(f"removed: {path}")


@command.command("export")
@click.argument("name", type=PresetName())
@click.option("--out", type=PATH, help="The file; NAME.preset.zip here where left out.")
@force_option
def export(name: str, out: Path | None, force: bool) -> None:
    """Write NAME with its floor into one file, for another machine."""
    from cleanchain.presets import store

    click.echo(f"written: {store.export(name, out or Path(f'{name}.preset.zip'), force)}")


@command.command("import")
@click.argument("file", type=PATH)
@click.option("--name", help="Keep it under this name; that of the file where left out.")
@force_option
def import_preset(file: Path, name: str | None, force: bool) -> None:
    """Take in a preset: a file that export wrote, or the text of one.

    A preset is numbers and words; it runs nothing and reaches no file.
    """
    from cleanchain.presets import store
    from cleanchain.presets.names import slug_of

    kept = name or slug_of(file.name.split(".")[0])
    click.echo(f"saved: {store.import_file(file, kept, force)}")
