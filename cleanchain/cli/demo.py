"""`cleanchain demo`: invented captures to try everything on."""

from __future__ import annotations

from pathlib import Path

import click

from cleanchain.cli.options import PATH, force_option
from cleanchain.cli.output import say, working


@click.command("demo")
@click.argument("folder", type=PATH)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**31),
    default=1,
    show_default=True,
    help="Another seed plays another tune in other noise.",
)
@force_option
def command(folder: Path, seed: int, force: bool) -> None:
    """Write invented captures of two pickups on a lap harp into FOLDER.

    An interface floor, a dead control, silence and white-noise captures of two builds, and a
    noisy take of each recorded at once. All are computed, none was recorded; truth.json and the
    folder truth hold what they are made of.
    """
    import json

    import numpy as np
    import soundfile

    from cleanchain import demo
    from cleanchain.errors import PathError

    if folder.exists() and not folder.is_dir():
        raise PathError("is a file, not a folder", where=str(folder), fix="Name another folder.")
    if (folder / "truth.json").exists() and not force:
        raise PathError(
            "already holds a demo", where=str(folder), fix="Add --force or name another folder."
        )
    with working("computing the demo's captures", quiet=False):
        files, truth = demo.captures(seed)
        (folder / "truth").mkdir(parents=True, exist_ok=True)
        for number, (name, wave) in enumerate(files.items()):
            rng = np.random.default_rng([seed, number])
            dither = rng.random(wave.size) - rng.random(wave.size)  # triangular, 2 steps wide
            steps = np.rint(wave * 2.0**23 + dither).astype(np.int32)
            soundfile.write(folder / f"{name}.wav", steps << 8, demo.RATE_HZ, subtype="PCM_24")
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")
    (folder / "README.txt").write_text(demo.ABOUT, encoding="utf-8")
    say(f"wrote {len(files)} invented captures to {folder}")
