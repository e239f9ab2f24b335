"""`cleanchain stimulus`: noise to play into builds."""

from __future__ import annotations

from pathlib import Path

import click

from cleanchain.cli.options import PATH, Quantity, force_option
from cleanchain.cli.output import say, working


@click.command("stimulus")
@click.option("--out", type=PATH, required=True, help="The WAV file to write.")
@click.option(
    "--seconds", type=Quantity("time", 5, 600), default="60s", show_default=True, help="Length."
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**31),
    default=1,
    show_default=True,
    help="The same seed, rate and length give the same noise.",
)
@click.option(
    "--rate",
    type=click.IntRange(8000, 192_000),
    default=48_000,
    show_default=True,
    help="Sampling rate in Hz.",
)
@click.option(
    "--level",
    type=click.FloatRange(-80, -12),
    default=-30.0,
    show_default=True,
    help="Rms level in dBFS.",
)
@force_option
def command(out: Path, seconds: float, seed: int, rate: int, level: float, force: bool) -> None:
    """Write white noise, 20 Hz to 20 kHz, to play into builds and dead controls.

    Start with the loudspeaker turned down: noise at high levels harms ears and loudspeakers, and
    a contact microphone near a loudspeaker that it feeds can howl. Play it to every build from one
    place at one level, and keep the file for `measure --played`.
    """
    import soundfile

    from cleanchain.audio.writing import check_place, renamed_when_whole
    from cleanchain.errors import SettingError
    from cleanchain.measure.stimulus import make_stimulus

    if out.suffix.lower() not in (".wav", ".wave"):
        raise SettingError(f"{out.name!r} is no WAV file", fix="End its name in .wav.")
    check_place(out, overwrite=force)
    with working("computing the stimulus", quiet=False):
        noise = make_stimulus(seconds, seed, rate, level)
        with renamed_when_whole(out, overwrite=force) as part:
            soundfile.write(part, noise.samples.T, rate, subtype="PCM_24", format="WAV")
    say(f"wrote {out}: {seconds:g} s of noise at {level:g} dBFS, seed {seed}")
    say("Start with the loudspeaker turned down; phantom power off for home-made sources.")
