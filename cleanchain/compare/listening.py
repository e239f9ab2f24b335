"""Aligned and level-matched takes as files, to be heard one after the other."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from cleanchain.audio.source import Source
from cleanchain.audio.writing import check_place, renamed_when_whole
from cleanchain.errors import PathError


def listening_paths(
    names: Sequence[str], sources: Sequence[Path], folder: Path, overwrite: bool
) -> list[Path]:
    """Return the files that takes are written to, and refuse what could not be written.

    Parameters
    ----------
    names : sequence of str
        "A", "B" and so on, which go before the takes' own names.
    sources : sequence of Path
        The takes.
    folder : Path
        Made where it is not there.
    overwrite : bool
        Whether existing files may be replaced.
    """
    if folder.exists() and not folder.is_dir():
        raise PathError("is a file, not a folder", where=str(folder), fix="Name another folder.")
    folder.mkdir(parents=True, exist_ok=True)
    paths = [
        folder / f"{name.lower()}-{source.stem}.wav"
        for name, source in zip(names, sources, strict=True)
    ]
    for path in paths:
        check_place(path, overwrite=overwrite, protect=tuple(sources))
    return paths


def write_listening(takes: Sequence[Source], paths: Sequence[Path], overwrite: bool) -> float:
    """Write takes as WAV of 24 bits, all by the same gain where one would clip.

    Returns
    -------
    float
        That gain in dB, 0 where none would.
    """
    import soundfile

    peak = max(
        (float(np.abs(block).max(initial=0.0)) for take in takes for block in take.blocks()),
        default=0.0,
    )
    most = 1 - 2.0**-23
    gain = min(1.0, most / peak) if peak > 0 else 1.0
    for take, path in zip(takes, paths, strict=True):
        with (
            renamed_when_whole(path, overwrite=overwrite) as part,
            soundfile.SoundFile(
                part, "w", take.rate_hz, take.channels, subtype="PCM_24", format="WAV"
            ) as file,
        ):
            for block in take.blocks():
                file.write(gain * block.T)
    return float(20 * np.log10(gain))
