"""The learned noise of a build as a file: numbers only, read within limits, no pickle."""

from __future__ import annotations

import io
import math
import zipfile
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import Source
from cleanchain.errors import InputError
from cleanchain.measure.hum import HumModel

Reals = NDArray[np.float64]

#: Longest silence that is kept, s, most samples of it, and the largest file that is read, bytes.
LONGEST_S, MOST_SAMPLES, MOST_BYTES = 60.0, 1 << 24, 1 << 27
#: Arrays of the file, and how many dimensions each has.
_ARRAYS = {
    "samples": 2,
    "rate_hz": 0,
    "band_hz": 1,
    "band_dbfs": 2,
    "mains_hz": 0,
    "harmonics": 1,
    "hum_real": 2,
    "hum_imag": 2,
}
_KINDS = ("<i4", "<f4", "<f8", "<i8")
#: Samples of up to 24 bits are kept as whole numbers of this size.
_STEP = 2.0**-23


@dataclass(frozen=True, eq=False)
class Floor:
    """The noise of a build.

    Parameters
    ----------
    silence : Capture
        What the stages learn from, sample by sample as it was recorded.
    band_hz : ndarray of shape (bands,)
        Exact centres of the third octaves.
    band_dbfs : ndarray of shape (channels, bands)
        Hiss in them.
    mains_hz : float
        0 where there is no hum.
    harmonics : ndarray of int, shape (harmonics,)
        Numbers of the mains harmonics that are there.
    hum : ndarray of complex, shape (channels, harmonics)
        The waveform of the hum: amplitude and phase of each, for a mains phase of zero.
    """

    silence: Capture
    band_hz: Reals
    band_dbfs: Reals
    mains_hz: float
    harmonics: NDArray[np.int64]
    hum: NDArray[np.complex128]


def kept_of(silence: Source) -> Capture:
    """Return what a preset keeps of a silence: all of it, or a minute from its middle."""
    most = min(int(LONGEST_S * silence.rate_hz), MOST_SAMPLES // silence.channels)
    start = max(silence.frames - most, 0) // 2
    samples = silence.read(start, start + min(silence.frames, most))
    return Capture(samples, silence.rate_hz, silence.name)


def make_floor(silence: Capture, band_hz: Reals, band_dbfs: Reals, model: HumModel | None) -> Floor:
    """Put together what was learned from a silence."""
    return Floor(
        silence,
        band_hz,
        band_dbfs,
        0.0 if model is None else model.mains_hz,
        np.array([] if model is None else model.harmonics, dtype=np.int64),
        np.zeros((silence.channels, 0), dtype=complex)
        if model is None
        else model.amplitudes.astype(complex),
    )


def pack_floor(floor: Floor) -> bytes:
    """Return a floor as the bytes of an .npz; the same floor gives the same bytes."""
    arrays: dict[str, NDArray[Any]] = {
        "samples": _packed(floor.silence.samples),
        "rate_hz": np.array(floor.silence.rate_hz, dtype="<i4"),
        "band_hz": floor.band_hz.astype("<f8"),
        "band_dbfs": floor.band_dbfs.astype("<f8"),
        "mains_hz": np.array(floor.mains_hz, dtype="<f8"),
        "harmonics": floor.harmonics.astype("<i4"),
        "hum_real": floor.hum.real.astype("<f8"),
        "hum_imag": floor.hum.imag.astype("<f8"),
    }
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, array in arrays.items():
            one = io.BytesIO()
            np.lib.format.write_array(one, np.array(array, order="C"), allow_pickle=False)
            # A fixed date, so that the hash tells of the numbers alone.
            archive.writestr(zipfile.ZipInfo(f"{name}.npy"), one.getvalue(), zipfile.ZIP_DEFLATED)
    return whole.getvalue()


def unpack_floor(data: bytes, where: str) -> Floor:
    """Read a floor.

    Raises
    ------
    InputError
        If it is not what `pack_floor` writes: another layout, objects, sizes that lie, values
        that are not finite.
    """
    try:
        arrays = _read_arrays(data)
    except (_NoFloorError, ValueError, zipfile.BadZipFile, EOFError, OSError, NotImplementedError,
            RuntimeError, MemoryError, SyntaxError, zlib.error) as error:  # fmt: skip
        raise InputError(
            f"is not the floor of a preset ({str(error)[:100] or type(error).__name__})",
            where=where,
            fix="Make the preset again: cleanchain tune.",
        ) from None
    samples = arrays["samples"]
    if samples.dtype.kind == "i":
        samples = samples * _STEP
    silence = Capture(samples, int(arrays["rate_hz"]), where)
    hum = arrays["hum_real"] + 1j * arrays["hum_imag"]
    return Floor(
        silence,
        arrays["band_hz"],
        arrays["band_dbfs"],
        float(arrays["mains_hz"]),
        arrays["harmonics"].astype(np.int64),
        hum,
    )


class _NoFloorError(Exception):
    """What is wrong with a floor."""


def _read_arrays(data: bytes) -> dict[str, NDArray[Any]]:
    arrays = {}
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = sorted(info.filename for info in archive.infolist())
        if names != sorted(f"{name}.npy" for name in _ARRAYS):
            raise _NoFloorError("other arrays than a floor has")
        for name, dimensions in _ARRAYS.items():
            arrays[name] = _read_array(archive, f"{name}.npy", dimensions)
    channels = arrays["samples"].shape[0]
    bands, lines = arrays["band_hz"].shape[0], arrays["harmonics"].shape[0]
    shapes = {"band_dbfs": (channels, bands), "hum_real": (channels, lines)}
    shapes["hum_imag"] = shapes["hum_real"]
    if any(arrays[name].shape != shape for name, shape in shapes.items()):
        raise _NoFloorError("arrays that do not go together")
    if not (1 <= channels <= 64 and arrays["samples"].shape[1] >= 1):
        raise _NoFloorError("no samples")
    if not 8_000 <= int(arrays["rate_hz"]) <= 384_000:
        raise _NoFloorError("an impossible rate")
    if arrays["samples"].dtype.kind == "f" and np.abs(arrays["samples"]).max() > 1e3:
        raise _NoFloorError("samples far beyond full scale")
    return arrays


def _read_array(archive: zipfile.ZipFile, member: str, dimensions: int) -> NDArray[Any]:
    """Read one array whose header is held against what the archive says of its size."""
    size = archive.getinfo(member).file_size
    if size > 8 * MOST_SAMPLES + 10_000:
        raise _NoFloorError(f"{member} is too large")
    with archive.open(member) as file:
        version = np.lib.format.read_magic(file)
        if version != (1, 0):
            raise _NoFloorError(f"{member} is of another version")
        shape, fortran, dtype = np.lib.format.read_array_header_1_0(file)
        if dtype.str not in _KINDS or fortran or len(shape) != dimensions:
            raise _NoFloorError(f"{member} is of another kind")
        count = math.prod(shape)
        if count < 0 or count * dtype.itemsize != size - file.tell():
            raise _NoFloorError(f"{member} has another size than it says")
        array = np.frombuffer(file.read(count * dtype.itemsize), dtype=dtype)
    if array.size != count:
        raise _NoFloorError(f"{member} is cut short")
    if not np.isfinite(array).all():
        raise _NoFloorError(f"{member} holds values that are not finite")
    return array.reshape(shape)


def _packed(samples: Reals) -> NDArray[Any]:
    """Return samples in the smallest kind that holds them exactly."""
    whole = samples / _STEP
    if np.array_equal(whole, np.round(whole)) and np.abs(whole).max(initial=0.0) < 2**31:
        return whole.astype("<i4")
    short = samples.astype("<f4")
    return short if np.array_equal(short, samples) else samples.astype("<f8")
