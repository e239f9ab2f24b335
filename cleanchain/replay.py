"""A receipt played again: the same output from the same inputs, and the proof of it."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.audio.file_source import FileSource
from cleanchain.audio.files import open_source
from cleanchain.audio.hashing import SampleHash, hash_samples
from cleanchain.audio.source import Excerpt
from cleanchain.audio.writing import check_output
from cleanchain.chain import Chain
from cleanchain.errors import FitError, InputError, PathError
from cleanchain.presets.floor import MOST_BYTES, unpack_floor
from cleanchain.presets.reading import read_limited
from cleanchain.receipts import (
    Input,
    Output,
    Receipt,
    input_of,
    reference_files,
    stages_of,
    versions_here,
)
from cleanchain.results import Result, results_of
from cleanchain.silences import Silence
from cleanchain.stages.base import Stage
from cleanchain.stages.hum import Hum


@dataclass(frozen=True)
class Proof:
    """What became of one output.

    Parameters
    ----------
    output : Output
        As the receipt has it.
    sample_hash : str
        Of the samples that were made now.
    written : Path or None
        Where they were written.
    on_disk : {"the same", "changed", "missing"}
        The file that the receipt speaks of, as it is now.
    difference_dbfs : float or None
        Largest difference between the samples made now and those of an unchanged output, in dB
        of full scale; None where they are the same or cannot be compared.
    """

    output: Output
    sample_hash: str
    written: Path | None
    on_disk: str
    difference_dbfs: float | None = None

    @property
    def same(self) -> bool:
        """Whether the samples are those of the receipt."""
        return self.sample_hash == self.output.sample_hash


@dataclass(frozen=True)
class Replay:
    """What a replay showed.

    Parameters
    ----------
    proofs : tuple of Proof
        One an output, in the receipt's order.
    versions : dict of str to (str or None, str or None)
        What has another version now: then, and now.
    """

    proofs: tuple[Proof, ...]
    versions: dict[str, tuple[str | None, str | None]]

    @property
    def proven(self) -> bool:
        """Whether every output came out the same, to the last bit."""
        return all(proof.same for proof in self.proofs)

    def as_data(self) -> dict[str, Any]:
        """Return everything as plain data."""
        return {
            "schema": "cleanchain/replay/1",
            "proven": self.proven,
            "outputs": [
                {
                    "role": proof.output.role,
                    "file": proof.output.file,
                    "sample_hash": proof.sample_hash,
                    "sample_hash_of_receipt": proof.output.sample_hash,
                    "same": proof.same,
                    "on_disk": proof.on_disk,
                    "difference_dbfs": proof.difference_dbfs,
                    "written": None if proof.written is None else str(proof.written),
                }
                for proof in self.proofs
            ],
            "versions": {
                name: {"then": then, "now": now} for name, (then, now) in self.versions.items()
            },
        }


def replay(
    receipt: Receipt, folder: Path, *, into: Path | None = None, overwrite: bool = False
) -> Replay:
    """Make the outputs of a receipt again and hold them against it.

    Parameters
    ----------
    receipt : Receipt
        See `cleanchain.receipts.read_receipt`.
    folder : Path
        The receipt's folder, from which its files are named.
    into : Path, optional
        Folder that the outputs are written to, under their own names; where left out, nothing is
        written.
    overwrite : bool, optional
        Whether files there may be replaced; an input never is.

    Raises
    ------
    InputError
        If an input is missing or cannot be read.
    FitError
        If an input is not the one that the receipt speaks of, or a stage is not known here.
    PathError
        If an output may not be written there.
    """
    stages = _with_references(stages_of(receipt), receipt, folder)
    files = [one for one in receipt.inputs if one.role in ("take", "also")]
    take, *also = [_opened(one, receipt, folder) for one in files]
    silence = _silence(receipt, take, folder)
    roles = [one.role for one in receipt.outputs]
    if roles != ["take", *["also"] * len(also), *["removed"] * roles.count("removed")]:
        raise InputError("the receipt's outputs do not belong to its inputs")
    inputs = [folder / one.file for one in receipt.inputs]
    targets = _targets(receipt, [take, *also, take], into, overwrite, inputs)
    plan = Chain(stages).plan(take, silence.source)
    results = results_of(plan, take, also, "removed" in roles)
    proofs = []
    for output, result, target in zip(receipt.outputs, results, targets, strict=True):
        clip = receipt.reading.allow_clip
        if target is None:
            hashed = SampleHash()
            for block in result.as_written(allow_clip=clip):
                hashed.update(block)
            made = hashed.text()
        else:
            made = result.write(target, overwrite=overwrite, protect=inputs, allow_clip=clip)
        proofs.append(_proof(output, made, target, folder, result, clip))
    return Replay(tuple(proofs), _changed_versions(receipt))


def _opened(one: Input, receipt: Receipt, folder: Path) -> FileSource:
    """Open a take and refuse it where it is not the one that was used."""
    path = _found(one, folder)
    reading = receipt.reading
    source = open_source(path, salvage=reading.salvage, repair_nan=reading.repair_nan)
    _check_same(one, source, path, folder)
    return source


def _silence(receipt: Receipt, take: FileSource, folder: Path) -> Silence:
    """Return the silence that was used, and refuse another."""
    origin = receipt.silence.origin
    if origin == "none":
        return Silence(None, "auto")
    if origin in ("ranges", "auto"):
        ranges = tuple(receipt.silence.ranges)
        ends = [0, *(end for pair in ranges for end in pair), take.frames]
        if not ranges or ends != sorted(ends):
            raise InputError("the receipt's stretches of silence do not lie in the take")
        return Silence(Excerpt(take, ranges, "the take's own silence"), origin)
    one = next((one for one in receipt.inputs if one.role == "silence"), None)
    if one is None:
        raise InputError("the receipt names no silence file")
    path = _found(one, folder)
    source: FileSource | Capture
    if origin == "preset":
        source = unpack_floor(read_limited(path, MOST_BYTES), str(path)).silence
    else:
        source = open_source(path)
    _check_same(one, source, path, folder)
    return Silence(source, origin, path)


def _with_references(stages: list[Stage], receipt: Receipt, folder: Path) -> list[Stage]:
    """Return stages whose references are the files of the receipt, and refuse others."""
    named = [one for one in receipt.inputs if one.role == "reference"]
    if len(named) != len(reference_files(stages)):
        raise InputError("the receipt's references do not belong to its stages")
    left, made = iter(named), []
    for stage in stages:
        if isinstance(stage, Hum) and stage.reference_is_file:
            one = next(left)
            path = _found(one, folder)
            _check_same(one, open_source(path), path, folder)
            stage = dataclasses.replace(stage, reference=str(path))
        made.append(stage)
    return made


def _found(one: Input, folder: Path) -> Path:
    path = folder / one.file
    if not path.exists():
        raise InputError(
            f"is missing; the receipt needs it as its {one.role}",
            where=str(path),
            fix="Put the file back where it was, as seen from the receipt.",
        )
    return path


def _check_same(one: Input, source: FileSource | Capture, path: Path, folder: Path) -> None:
    """Refuse an input that is not the one that was used."""
    now = input_of(one.role, source, path, folder)
    for what, here, then in (
        ("container", now.container, one.container),
        ("sample format", now.subtype, one.subtype),
        ("sampling rate", now.rate_hz, one.rate_hz),
        ("number of channels", now.channels, one.channels),
        ("number of frames", now.frames, one.frames),
        ("hash of the samples", now.sample_hash, one.sample_hash),
    ):
        if here != then:
            raise FitError(
                f"is not the {one.role} of the receipt, or has changed since: its {what} is "
                f"{here}, not {then}",
                where=str(path),
                fix="Put the original file back, or clean it anew.",
            )


def _targets(
    receipt: Receipt,
    likes: list[FileSource],
    into: Path | None,
    overwrite: bool,
    inputs: list[Path],
) -> list[Path | None]:
    """Return where each output goes; only the last part of the name it had is believed."""
    if into is None:
        return [None] * len(receipt.outputs)
    targets: list[Path | None] = []
    for output, like in zip(receipt.outputs, likes, strict=False):
        target = into / Path(output.file).name
        if target in targets:
            raise PathError("two outputs have this name", where=str(target))
        check_output(target, like, overwrite=overwrite, protect=inputs)
        targets.append(target)
    return targets


def _proof(
    output: Output, made: str, target: Path | None, folder: Path, result: Result, allow_clip: bool
) -> Proof:
    path = folder / output.file
    if not path.exists():
        return Proof(output, made, target, "missing")
    try:
        older = open_source(path)
        changed = hash_samples(older) != output.sample_hash
    except InputError:
        return Proof(output, made, target, "changed")
    if changed:
        return Proof(output, made, target, "changed")
    if made == output.sample_hash:
        return Proof(output, made, target, "the same")
    return Proof(output, made, target, "the same", _difference_dbfs(result, older, allow_clip))


def _difference_dbfs(result: Result, older: FileSource, allow_clip: bool) -> float:
    """Return the largest difference between the samples made now and those of a file."""
    full_scale = 1.0 if older.bits is None else 2.0**31
    largest = max(
        float(np.abs(new.astype(np.float64) - old).max())
        for new, old in zip(
            result.as_written(allow_clip=allow_clip), older.stored_blocks(), strict=True
        )
    )
    return 20 * math.log10(max(largest / full_scale, 1e-30))


def _changed_versions(receipt: Receipt) -> dict[str, tuple[str | None, str | None]]:
    then, now = receipt.versions, versions_here()
    return {
        name: (then.get(name), now.get(name))
        for name in sorted({*then, *now})
        if then.get(name) != now.get(name)
    }
