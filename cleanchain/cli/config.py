"""`cleanchain config`: which settings are in force, and who set them."""

from __future__ import annotations

from typing import Any

import click

from cleanchain.cli.options import json_option
from cleanchain.cli.output import print_json, say


@click.command("config")
@click.option("--all", "everything", is_flag=True, help="Name what nobody has set, too.")
@json_option
def command(everything: bool, as_json: bool) -> None:
    """Say which settings come from variables and files, and from which.

    Flags win over variables such as CLEANCHAIN_CLEAN_PRESET, these over the cleanchain.toml of
    this folder or of the nearest one above, this over config.toml of your own.
    """
    from cleanchain.cli import configured
    from cleanchain.cli.main import COMMANDS, cli
    from cleanchain.presets.names import base_folder, own_folder

    context = click.get_current_context()
    commands = {n: c for n in COMMANDS if n != "config" and (c := cli.get_command(context, n))}
    rows = _rows(commands, everything)
    told = configured.unknown_tables(list(commands)) + configured.unknown_variables(commands)
    places = {
        "config": str(base_folder("config") / configured.USER_FILE),
        "presets": str(own_folder()),
    }
    if as_json:
        data = {"schema": "cleanchain/config/1", "settings": rows, "warnings": told}
        print_json({**data, "places": places})
        return
    for row in rows:
        over = f"  (over {', '.join(row['over'])})" if row["over"] else ""
        click.echo(f"{row['setting']} = {row['value']}  from {row['origin']}{over}")
    if not rows:
        click.echo("nothing is set: the built-in values are in force")
    click.echo(f"your own settings: {places['config']}\nyour presets: {places['presets']}")
    for words in told:
        say(f"warning: {words}")


def _rows(commands: dict[str, click.Command], everything: bool) -> list[dict[str, Any]]:
    from cleanchain.cli import configured

    found: dict[str, list[configured.Setting]] = {}
    for one in configured.from_files(commands) + configured.from_variables(commands):
        found.setdefault(f"{one.command}.{one.option}", []).append(one)
    rows = [
        {
            "setting": name,
            "value": said[-1].value,
            "origin": said[-1].origin,
            "over": [one.origin for one in reversed(said[:-1])],
        }
        for name, said in found.items()
    ]
    if everything:
        rows += [
            {
                "setting": f"{name}.{param.name}",
                "value": param.to_info_dict()["default"],
                "origin": "built in",
                "over": [],
            }
            for name, command in commands.items()
            for param in command.params
            if isinstance(param, click.Option) and f"{name}.{param.name}" not in found
        ]
    return rows
