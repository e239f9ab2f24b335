"""The stages as words of the command line; each makes the settings of one stage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import click

from cleanchain.cli.options import Quantity

if TYPE_CHECKING:
    from cleanchain.stages.base import Stage


@click.command("high-pass")
@click.option(
    "--corner",
    type=Quantity("frequency", 5.0),
    default="60Hz",
    show_default=True,
    help="Frequency that is 3 dB down; below it 24 dB an octave.",
)
def high_pass(corner: float) -> Stage:
    """Take rumble, handling noise and DC out."""
    from cleanchain.stages.high_pass import HighPass

    return HighPass(corner_hz=corner)


@click.command("hum")
@click.option(
    "--mains",
    type=Quantity("frequency", words=("auto",)),
    default="auto",
    show_default=True,
    help="Nominal mains frequency, 50Hz or 60Hz; auto decides from the recording.",
)
@click.option(
    "--method",
    type=click.Choice(["track", "notch"]),
    default="track",
    show_default=True,
    help="Follow the mains and take its waveform out, or a plain comb of notches.",
)
@click.option(
    "--reference",
    metavar="FILE|channel",
    help="The hum without the instrument, recorded with the take by a dummy pickup or a spare "
    'lead: a file as long as the take, or a channel of the take such as "channel 2".',
)
def hum(mains: float | str, method: Literal["track", "notch"], reference: str | None) -> Stage:
    """Take mains hum out and leave the instrument in."""
    from cleanchain.stages.hum import Hum

    return Hum(
        mains_hz=None if isinstance(mains, str) else mains, method=method, reference=reference
    )


@click.command("gate")
@click.option(
    "--depth",
    type=Quantity("level difference", 0.0, 80.0),
    default="12dB",
    show_default=True,
    help="How far the hiss goes down where nothing else sounds.",
)
@click.option(
    "--method",
    type=click.Choice(["estimate", "threshold"]),
    default="estimate",
    show_default=True,
    help="Estimate the signal in each place, or open at a threshold.",
)
@click.option("--link", is_flag=True, help="One gain for all channels: the image stands still.")
@click.option(
    "--max-cost",
    type=Quantity("level difference", 0.05, 20.0),
    help="Go only as deep as costs the instrument this much, such as 1dB, by the ledger.",
)
def gate(
    depth: float,
    method: Literal["estimate", "threshold"],
    link: bool,
    max_cost: float | None,
) -> Stage:
    """Take hiss out, learned from the silence capture."""
    from cleanchain.stages.gate import Gate

    return Gate(depth_db=depth, method=method, link=link, max_cost_db=max_cost)


@click.command("loudness")
@click.option(
    "--target",
    type=Quantity("loudness", -70.0, 0.0),
    help="Integrated loudness to reach.  [default: -23LUFS, EBU R 128]",
)
@click.option(
    "--ceiling",
    type=Quantity("true peak", -60.0, 0.0),
    help="True peak that is not passed; the gain is lowered to keep it.  [default: -1dBTP]",
)
@click.option(
    "--level",
    type=click.Choice(["mix"]),
    help="In place of the two: mix is -21LUFS and -6dBTP, for a track on its way into a mix "
    "(common practice, no source).",
)
@click.option(
    "--mono",
    type=click.Choice(["as-is", "dual"]),
    default="as-is",
    show_default=True,
    help="Count a single channel once, or as from two loudspeakers, 3.01 LU louder.",
)
def loudness(
    target: float | None,
    ceiling: float | None,
    level: str | None,
    mono: Literal["as-is", "dual"],
) -> Stage:
    """Bring the take to a loudness; no limiter, no compressor."""
    from cleanchain.stages.loudness import LEVELS, Loudness

    if level is not None and target is not None:
        raise click.UsageError(f"--level {level} names the target; leave --target out")
    target_lufs, ceiling_dbtp = LEVELS.get(
        level or "", (Loudness.target_lufs, Loudness.ceiling_dbtp)
    )
    return Loudness(
        target_lufs=target_lufs if target is None else target,
        ceiling_dbtp=ceiling_dbtp if ceiling is None else ceiling,
        mono=mono,
    )


STAGES = (high_pass, hum, gate, loudness)


def default_chain() -> list[Stage]:
    """Return the stages that work where none is named, in their usual order."""
    from cleanchain.stages.gate import Gate
    from cleanchain.stages.high_pass import HighPass
    from cleanchain.stages.hum import Hum
    from cleanchain.stages.loudness import Loudness

    return [HighPass(), Hum(), Gate(), Loudness()]
