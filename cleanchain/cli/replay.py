"""`cleanchain replay`: an output made again from its receipt, and the proof of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cleanchain.cli.options import PATH, force_option, json_option
from cleanchain.cli.output import print_json, working

if TYPE_CHECKING:
    from cleanchain.replay import Proof, Replay


@click.command("replay")
@click.argument("receipt", type=PATH)
@click.option(
    "--into",
    type=PATH,
    metavar="FOLDER",
    help="Write the outputs there under their own names; nothing is written where left out.",
)
@force_option
@json_option
def command(receipt: Path, into: Path | None, force: bool, as_json: bool) -> None:
    """Make the outputs of RECEIPT again and prove that they are the same.

    Inputs are looked for where they were, as seen from the receipt, and are refused where their
    samples have changed. The same means: the same hash of all samples.
    """
    from cleanchain.errors import OutputError
    from cleanchain.receipts import read_receipt
    from cleanchain.replay import replay

    read = read_receipt(receipt)
    with working("playing the receipt again", as_json):
        done = replay(read, receipt.parent, into=into, overwrite=force)
    if as_json:
        print_json(done.as_data())
    else:
        for proof in done.proofs:
            for line in _words(proof):
                click.echo(line)
    if not done.proven:
        raise OutputError(
            "came out other than the receipt says", where=str(receipt), fix=_why(done)
        )


def _words(proof: Proof) -> list[str]:
    name = proof.output.file
    lines = [f"{name}: {'proven, ' if proof.same else 'made now as '}{proof.sample_hash}"]
    if not proof.same:
        lines.append(f"  the receipt says {proof.output.sample_hash}")
    if proof.difference_dbfs is not None:
        lines.append(f"  largest difference of a sample: {proof.difference_dbfs:.0f} dBFS")
    if proof.on_disk != "the same":
        state = {"missing": "is not there any more", "changed": "has been changed since"}
        lines.append(f"  the file itself {state[proof.on_disk]}")
    if proof.written is not None:
        lines.append(f"  written: {proof.written}")
    return lines


def _why(done: Replay) -> str:
    if not done.versions:
        return "The versions are the same: another kind of processor, or a damaged receipt."
    changes = ", ".join(
        f"{name} {then or 'none'}, now {now or 'none'}"
        for name, (then, now) in done.versions.items()
    )
    return f"It was made with {changes}; install those versions to prove it."
