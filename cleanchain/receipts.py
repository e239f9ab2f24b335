"""Receipts: what a cleaned file was made of, so that it can be made again and proven.

A receipt is JSON, beside the output: hashes of all samples that went in and came out, every
setting, the stretches that served as silence, the versions of what did the arithmetic, and the
ledger. Files are named relative to the receipt's folder, so that a folder can be moved as a whole.
"""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Sequence
from dataclasses import fields
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal, cast

import msgspec
import numpy as np

import cleanchain
from cleanchain.audio.capture import Capture
from cleanchain.audio.file_source import FileSource
from cleanchain.audio.files import open_source
from cleanchain.audio.hashing import SampleHash, hash_samples
from cleanchain.audio.source import Excerpt
from cleanchain.audio.writing import renamed_when_whole
from cleanchain.cleaning import Cleaning
from cleanchain.errors import FitError, InputError
from cleanchain.results import Role
from cleanchain.stages.base import Stage
from cleanchain.stages.gate import Gate
from cleanchain.stages.high_pass import HighPass
from cleanchain.stages.hum import Hum
from cleanchain.stages.loudness import Loudness

#: Version of the plain data.
SCHEMA = "cleanchain/receipt/1"
#: Added to the name of the output.
ENDING = ".receipt.json"
#: Larger than any receipt.
LARGEST_BYTES = 1 << 24
#: Stands for a container where the samples come from the floor of a preset.
FLOOR = "preset floor"
_STAGES: dict[str, type[Stage]] = {stage.name: stage for stage in (HighPass, Hum, Gate, Loudness)}
InputRole = Literal["take", "silence", "also", "reference"]
Origin = Literal["file", "preset", "ranges", "auto", "none"]
_LIBRARIES = ("numpy", "scipy", "soundfile", "noisereduce")


class Input(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A file that went in.

    Parameters
    ----------
    role : {"take", "silence", "also", "reference"}
        What it was.
    file : str
        Relative to the receipt's folder, where there is such a way.
    sample_hash : str
        See `cleanchain.audio.hashing`.
    container, subtype : str
        As in `FileSource`; `FLOOR` and "DOUBLE" for what a preset keeps.
    rate_hz, channels, frames : int
        Its shape.
    """

    role: InputRole
    file: str
    sample_hash: str
    container: str
    subtype: str
    rate_hz: int
    channels: int
    frames: int


class Output(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A file that came out.

    Parameters
    ----------
    role : {"take", "also", "removed"}
        What it is.
    file : str
        Relative to the receipt's folder, where there is such a way.
    sample_hash : str
        See `cleanchain.audio.hashing`.
    """

    role: Role
    file: str
    sample_hash: str


class Step(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One stage with all its settings."""

    stage: str
    settings: dict[str, Any]


class Learned(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the silence came from.

    Parameters
    ----------
    origin : {"file", "preset", "ranges", "auto", "none"}
        How it was named; "preset" is the floor that a preset keeps, "none" is none.
    ranges : list of (int, int)
        First frame and the frame after the last of each stretch of the take.
    """

    origin: Origin
    ranges: list[tuple[int, int]] = []


class Reading(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How files were read and written."""

    salvage: bool
    repair_nan: bool
    allow_clip: bool


class Receipt(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a cleaning was made of and what came out.

    Parameters
    ----------
    schema : str
        `SCHEMA`.
    versions : dict of str to str
        Of this package, the interpreter, the machine and the libraries that do arithmetic.
    inputs : list of Input
        The take first, then its silence if that is a file, then the others, then the files that
        hum stages name as their reference, in the order of the stages.
    silence : Learned
        Where the silence came from.
    stages : list of Step
        In the order in which they worked.
    reading : Reading
        How files were read and written.
    outputs : list of Output
        The take's first.
    ledger : dict
        As `Cleaning.as_data` gives it; it is carried, not needed for a replay.
    """

    schema: str
    versions: dict[str, str]
    inputs: list[Input]
    silence: Learned
    stages: list[Step]
    reading: Reading
    outputs: list[Output]
    ledger: dict[str, Any]


def versions_here() -> dict[str, str]:
    """Return the versions of everything that the samples of an output depend on."""
    import soundfile

    return {
        "cleanchain": cleanchain.__version__,
        "python": platform.python_version(),
        "machine": platform.machine(),
        "libsndfile": soundfile.__libsndfile_version__,
        **{name: version(name) for name in _LIBRARIES},
    }


def make_receipt(
    folder: Path,
    done: Cleaning,
    also: Sequence[FileSource],
    reading: Reading,
    outputs: Sequence[tuple[Role, Path, str]],
) -> Receipt:
    """Write down a cleaning that has been done.

    Parameters
    ----------
    folder : Path
        Where the receipt will stand.
    done : Cleaning
        Of a take in a file.
    also : sequence of FileSource
        Further files that were sent through its plan.
    reading : Reading
        How files were read and written.
    outputs : sequence of (str, Path, str)
        Role, file and hash of what came out.
    """
    take, silence = done.take, done.silence
    assert isinstance(take, FileSource)
    inputs = [input_of("take", take, take.path, folder)]
    ranges: list[tuple[int, int]] = []
    origin = cast("Origin", "none" if silence.source is None else silence.origin)
    if isinstance(silence.source, FileSource | Capture) and silence.path is not None:
        inputs.append(input_of("silence", silence.source, silence.path, folder))
    elif isinstance(silence.source, Excerpt):
        ranges = [(start, stop) for start, stop in silence.source.ranges]
    inputs += [input_of("also", other, other.path, folder) for other in also]
    for path in reference_files([plan.stage for plan in done.plan.plans]):
        inputs.append(input_of("reference", open_source(path), path, folder))
    return Receipt(
        schema=SCHEMA,
        versions=versions_here(),
        inputs=inputs,
        silence=Learned(origin=origin, ranges=ranges),
        stages=[
            Step(stage=plan.stage.name, settings=plan.stage.settings()) for plan in done.plan.plans
        ],
        reading=reading,
        outputs=[
            Output(role=role, file=_relative(path, folder), sample_hash=told)
            for role, path, told in outputs
        ],
        ledger=done.as_data(str(take.path), str(outputs[0][1])),
    )


def write_receipt(receipt: Receipt, path: Path, *, overwrite: bool) -> None:
    """Write a receipt, whole or not at all."""
    data = json.dumps(msgspec.to_builtins(receipt, enc_hook=_plain), indent=2, allow_nan=False)
    with renamed_when_whole(path, overwrite=overwrite) as part:
        part.write_text(data + "\n", encoding="ascii")


def read_receipt(path: Path) -> Receipt:
    """Read a receipt and check that it is one.

    Raises
    ------
    InputError
        If there is no such file, or it is no receipt.
    FitError
        If it was written by a version whose receipts are not known here.
    """
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for
            raise InputError("is not a regular file", where=str(path))
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
        found = json.loads(data) if len(data) <= LARGEST_BYTES else None
    except FileNotFoundError:
        raise InputError("there is no such file", where=str(path)) from None
    except OSError as error:
        raise InputError(f"cannot be opened ({error.strerror})", where=str(path)) from None
    except (ValueError, RecursionError):
        found = None
    schema = found.get("schema") if isinstance(found, dict) else None
    if not isinstance(schema, str) or not schema.startswith("cleanchain/receipt/"):
        raise InputError(
            "is not a receipt", where=str(path), fix=f"Name the file that ends in {ENDING}."
        )
    if schema != SCHEMA:
        raise FitError(
            f"is a receipt of the kind {schema!r}; this version knows {SCHEMA!r}",
            where=str(path),
            fix="Install the version of cleanchain that wrote it.",
        )
    try:
        receipt = msgspec.convert(found, Receipt)
    except (msgspec.ValidationError, RecursionError) as error:
        raise InputError(
            f"is a damaged receipt ({error})",
            where=str(path),
            fix="Restore it from a copy, or clean the take again.",
        ) from None
    if [one.role for one in receipt.inputs[:1]] != ["take"] or not receipt.outputs:
        raise InputError("is a damaged receipt (it names no take or no output)", where=str(path))
    return receipt


def stages_of(receipt: Receipt) -> list[Stage]:
    """Return the stages of a receipt with their settings.

    Raises
    ------
    FitError
        If a stage or a setting is not known here.
    SettingError
        If a value is out of range.
    """
    made = []
    for number, step in enumerate(receipt.stages, 1):
        kind = _STAGES.get(step.stage)
        if kind is None:
            raise FitError(f"the receipt names a stage {step.stage!r}, which is not known here")
        names = {one.name for one in fields(kind)}  # type: ignore[arg-type]
        if names != set(step.settings):
            differing = ", ".join(sorted(names ^ set(step.settings)))
            raise FitError(
                f"stage {number} of the receipt, {step.stage}, has other settings than this "
                f"version knows: {differing}",
                fix="Install the version of cleanchain that wrote it.",
            )
        try:
            made.append(msgspec.convert(step.settings, kind))
        except msgspec.ValidationError as error:
            raise FitError(f"stage {number} of the receipt, {step.stage}: {error}") from None
    return made


def reference_files(stages: Sequence[Stage]) -> list[Path]:
    """Return the files that hum stages name as their reference, in the order of the stages."""
    return [
        Path(stage.reference)
        for stage in stages
        if isinstance(stage, Hum) and stage.reference_is_file and stage.reference
    ]


def input_of(
    role: InputRole,
    source: FileSource | Capture,
    path: Path,
    folder: Path,
) -> Input:
    """Describe what went in, as seen from a folder.

    Parameters
    ----------
    role : {"take", "silence", "also", "reference"}
        What it was.
    source : FileSource or Capture
        A file, or what a preset keeps of a silence.
    path, folder : Path
        Its file, and the folder it is named from.
    """
    if isinstance(source, FileSource):
        told, container, subtype = hash_samples(source), source.container, source.subtype
    else:
        hashed = SampleHash()
        hashed.update(np.ascontiguousarray(source.samples.T))
        told, container, subtype = hashed.text(), FLOOR, "DOUBLE"
    return Input(
        role=role,
        file=_relative(path, folder),
        sample_hash=told,
        container=container,
        subtype=subtype,
        rate_hz=source.rate_hz,
        channels=source.channels,
        frames=source.frames,
    )


def _relative(path: Path, folder: Path) -> str:
    """Return the way from a folder to a file."""
    try:
        return os.path.relpath(path.resolve(), folder.resolve())
    except ValueError:  # on another drive
        return str(path.resolve())


def _plain(value: Any) -> Any:
    """Return arrays and scalars of numpy as plain data."""
    return value.tolist()
