"""The command `cleanchain`: a group that imports a command only when it is asked for."""

from __future__ import annotations

import importlib
import io
import os
import signal
import sys
from typing import NoReturn

import click

import cleanchain
from cleanchain.cli.interrupts import hear, leave_at_once
from cleanchain.errors import CleanchainError

#: Every command, the module of this package that holds it, and its line in the help.
COMMANDS = {
    "clean": "Clean a take and write a ledger of what each stage removed and cost.",
    "tune": "Choose settings for a build, with reasons, and save them as a preset.",
    "preset": "List, show, compare, check, remove, export and import presets.",
    "batch": "Clean many takes of one build by its preset.",
    "compare": "Compare builds: what differs, by how much, and whether chance explains it.",
    "measure": "Measure what a build adds, what its floor is made of, and what it hears.",
    "stimulus": "Write noise to play into builds.",
    "inspect": "Say what a file is and what was found in it.",
    "replay": "Make the output of a receipt again and prove it.",
    "config": "Say which settings are in force, and who set them.",
    "demo": "Write a set of invented captures to try everything on.",
}


#: Commands that listen to Ctrl-C themselves.
_LISTEN = ("batch",)


class LazyGroup(click.Group):
    """Lists its commands without importing them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"cleanchain.cli.{cmd_name.replace('-', '_')}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands from the table above."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "auto_envvar_prefix": "CLEANCHAIN"},
)
@click.version_option(cleanchain.__version__, prog_name="cleanchain", allow_from_autoenv=False)
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Measure home-made pickups and contact microphones, and clean their takes.

    Every number it prints is measured. Exit codes: 0 done, 1 some files failed, 2 usage, 3 input
    cannot be used, 4 things do not fit together, 5 would overwrite, 6 output could not be
    written, 7 a limit cannot be met, 130 interrupted.
    """
    from cleanchain.cli.configured import default_map, from_files

    name = ctx.invoked_subcommand
    command = None if name is None else cli.get_command(ctx, name)
    if name is not None and command is not None:
        ctx.default_map = default_map(from_files({name: command}))
    if name not in _LISTEN and signal.getsignal(signal.SIGINT) is leave_at_once:
        hear(signal.default_int_handler)  # from here on something may have to be tidied up


def main() -> NoReturn:
    """Run the command line; errors become one message and an exit code."""
    hear(leave_at_once)
    # Our own threads keep the cores busy; those of the linear algebra would wait in loops and
    # take the cores from them. It reads this when numpy is first imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A file's name need not be text, and a terminal need not know every letter.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        code = cli.main(prog_name="cleanchain", standalone_mode=False)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except CleanchainError as error:
        _tell(str(error))
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        _tell("stopped; nothing was left half written")
        sys.stdout.flush()
        os._exit(130)  # a thread may still be at work on what nobody waits for
    except BrokenPipeError:
        # Whoever read our output has gone; Python would complain once more while closing it.
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115
        sys.exit(0)
    sys.exit(code if isinstance(code, int) else 0)


def _tell(message: str) -> None:
    first, *rest = message.splitlines()
    click.echo("\n".join([f"cleanchain: {first}", *(f"  {line}" for line in rest)]), err=True)


if __name__ == "__main__":
    main()
