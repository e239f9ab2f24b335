"""Takes on disk: opened with care, read in blocks."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from cleanchain.audio.capture import check_finite
from cleanchain.audio.source import BLOCK_FRAMES, Samples
from cleanchain.errors import InputError

#: Containers that are read and written, with the endings of their files.
CONTAINERS = {
    "WAV": (".wav", ".wave"),
    "WAVEX": (".wav", ".wave"),
    "RF64": (".wav", ".wave", ".rf64"),
    "W64": (".w64",),
    "AIFF": (".aif", ".aiff", ".aifc"),
    "FLAC": (".flac",),
    "CAF": (".caf",),
}
#: Bits of the integer formats; None for floats.
SUBTYPE_BITS: dict[str, int | None] = {
    "PCM_S8": 8,
    "PCM_U8": 8,
    "PCM_16": 16,
    "PCM_24": 24,
    "PCM_32": 32,
    "FLOAT": None,
    "DOUBLE": None,
}
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000
MOST_CHANNELS = 64
#: Most frames that a header is believed to hold: a fortnight at 384 kHz.
MOST_FRAMES = 1 << 39


@dataclass(frozen=True)
class FileSource:
    """A sound file, read in blocks as often as one likes.

    Parameters
    ----------
    path : Path
        The file.
    container : str
        A key of `CONTAINERS`.
    subtype : str
        A key of `SUBTYPE_BITS`.
    rate_hz, channels, frames : int
        As its header says and as was checked.
    """

    path: Path
    container: str
    subtype: str
    rate_hz: int
    channels: int
    frames: int

    @property
    def name(self) -> str:
        """The file's name, for messages."""
        return str(self.path)

    @property
    def bits(self) -> int | None:
        """Bits a sample, None for floats."""
        return SUBTYPE_BITS[self.subtype]

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """Yield all frames in order, `block_frames` at a time, the last block shorter."""
        with _open(self.path) as file:
            for start in range(0, self.frames, block_frames):
                count = min(block_frames, self.frames - start)
                yield self._checked(_read(file, count, self.path), start, count)

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop, shape (channels, stop - start)."""
        with _open(self.path) as file:
            file.seek(start)
            return self._checked(_read(file, stop - start, self.path), start, stop - start)

    def _checked(self, samples: Samples, start: int, count: int) -> Samples:
        if samples.shape[1] != count:
            raise InputError(
                f"ends at frame {start + samples.shape[1]}, but its header promises {self.frames}",
                where=self.name,
                fix="The recording was cut off or changed while it was read; copy it again.",
            )
        if self.bits is None:
            check_finite(samples, self.rate_hz, self.name, start)
        return samples


def open_source(path: Path) -> FileSource:
    """Look at a sound file and refuse what cannot be worked on.

    Parameters
    ----------
    path : Path
        WAV, RF64, W64, AIFF, FLAC or CAF with PCM or float samples, 8 to 384 kHz, up to 64
        channels.

    Raises
    ------
    InputError
        If there is no such file, it is not audio, it is empty, or its format is not one of these.
    """
    import soundfile

    _check_is_file(path)
    try:
        info = soundfile.info(str(path))
    except (soundfile.LibsndfileError, RuntimeError) as error:
        raise InputError(
            f"is not a sound file that can be read ({_short(error)})",
            where=str(path),
            fix="Give a WAV, RF64, W64, AIFF, FLAC or CAF file.",
        ) from None
    if info.format not in CONTAINERS or info.subtype not in SUBTYPE_BITS:
        raise InputError(
            f"holds {info.subtype_info} in {info.format_info}",
            where=str(path),
            fix="Convert it to WAV or FLAC with PCM or float samples first.",
        )
    _check_shape(path, info.samplerate, info.channels, info.frames)
    return FileSource(path, info.format, info.subtype, info.samplerate, info.channels, info.frames)


def _check_is_file(path: Path) -> None:
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        raise InputError("there is no such file", where=str(path)) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be opened ({_short(error)})", where=str(path)) from None
    if stat.S_ISDIR(mode):
        raise InputError("is a folder, not a sound file", where=str(path))
    if not stat.S_ISREG(mode):
        raise InputError("is not a regular file", where=str(path), fix="Copy it to a file first.")
    if path.stat().st_size == 0:
        raise InputError("is empty: there is no audio in it", where=str(path))


def _check_shape(path: Path, rate_hz: int, channels: int, frames: int) -> None:
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise InputError(
            f"has a sampling rate of {rate_hz} Hz; 8 kHz to 384 kHz can be worked on",
            where=str(path),
        )
    if not 1 <= channels <= MOST_CHANNELS:
        raise InputError(
            f"has {channels} channels; 1 to {MOST_CHANNELS} can be worked on", where=str(path)
        )
    if frames <= 0:
        raise InputError("holds no audio: 0 frames", where=str(path))
    if frames > MOST_FRAMES:
        raise InputError(f"its header promises {frames} frames, which cannot be", where=str(path))


def _open(path: Path) -> Any:
    import soundfile

    try:
        return soundfile.SoundFile(str(path))
    except (soundfile.LibsndfileError, RuntimeError, OSError) as error:
        raise InputError(f"can no longer be opened ({_short(error)})", where=str(path)) from None


def _read(file: Any, count: int, path: Path) -> Samples:
    import soundfile

    try:
        frames = file.read(count, dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, RuntimeError) as error:
        at = file.tell() / file.samplerate
        raise InputError(
            f"cannot be decoded near {at:.1f} s ({_short(error)})",
            where=str(path),
            fix="The file is damaged there; copy it again or cut that stretch out.",
        ) from None
    return np.ascontiguousarray(frames.T)


def _short(error: Exception) -> str:
    """Return the last part of a library's message, without the path it repeats."""
    return str(error).rsplit(": ", 1)[-1].strip().rstrip(".") or type(error).__name__
