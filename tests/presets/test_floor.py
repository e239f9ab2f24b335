from __future__ import annotations

import io
import zipfile
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanchain.audio.capture import Capture
from cleanchain.errors import InputError
from cleanchain.presets import floor as floors
from cleanchain.presets.floor import Floor, kept_of, make_floor, pack_floor, unpack_floor


def a_floor(samples: np.ndarray) -> Floor:
    capture = Capture(samples, 16_000, "s")
    bands = np.array([100.0, 125.0])
    return make_floor(capture, bands, np.zeros((capture.channels, 2)), None)


@pytest.mark.parametrize("kind", ["int16", "int24", "float32", "float64"])
def test_samples_come_back_exactly(kind: str) -> None:
    wave = np.random.default_rng(1).uniform(-1, 1, (2, 5000))
    if kind.startswith("int"):
        step = 2.0 ** (1 - int(kind[3:]))
        wave = np.round(wave / step) * step
    elif kind == "float32":
        wave = wave.astype(np.float32).astype(float)
    packed = pack_floor(a_floor(wave))
    assert np.array_equal(unpack_floor(packed, "x").silence.samples, wave)
    assert pack_floor(unpack_floor(packed, "x")) == packed


def test_a_long_silence_is_kept_for_a_minute() -> None:
    long = Capture(np.zeros(70 * 8000) + np.arange(70 * 8000), 8000)
    kept = kept_of(long)
    assert kept.frames == 60 * 8000
    assert kept.samples[0, 0] == 5 * 8000


def npz(**arrays: Any) -> bytes:
    whole = io.BytesIO()
    np.savez(whole, **arrays)
    return whole.getvalue()


def good() -> dict[str, Any]:
    packed = pack_floor(a_floor(np.random.default_rng(1).standard_normal((1, 2000)) * 0.01))
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        return dict(arrays)


class Bomb:
    """Says so when it is unpickled."""

    def __reduce__(self) -> Any:
        return (pytest.fail, ("a pickle was run",))


@pytest.mark.parametrize(
    "change",
    [
        {"samples": np.array([[Bomb()]], dtype=object)},
        {"samples": np.full((1, 2000), np.nan)},
        {"samples": np.full((1, 2000), 1e300)},
        {"samples": np.zeros((0, 0))},
        {"samples": np.zeros(2000)},
        {"samples": np.zeros((1, 20), dtype="U4")},
        {"samples": np.zeros((100, 20))},
        {"rate_hz": np.array(7)},
        {"rate_hz": np.array("a")},
        {"band_dbfs": np.zeros((3, 3))},
        {"more": np.zeros(3)},
        {"hum_real": np.zeros((1, 2))},
    ],
)
def test_hostile_arrays_are_refused(change: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="not the floor of a preset"):
        unpack_floor(npz(**{**good(), **change}), "x")


def test_a_header_that_lies_of_its_size_takes_no_memory() -> None:
    whole = io.BytesIO()
    header = b"{'descr': '<f8', 'fortran_order': False, 'shape': (1, 1000000000000), }"
    header += b" " * (118 - 10 - len(header) % 64) + b"\n"
    lying = b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header + b"\0" * 64
    with zipfile.ZipFile(whole, "w") as archive:
        for name, array in good().items():
            one = io.BytesIO()
            np.lib.format.write_array(one, array)
            archive.writestr(f"{name}.npy", lying if name == "samples" else one.getvalue())
    with pytest.raises(InputError, match="another size"):
        unpack_floor(whole.getvalue(), "x")


def test_a_member_that_unpacks_to_gigabytes_is_not_unpacked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(floors, "MOST_SAMPLES", 1000)
    with pytest.raises(InputError, match="too large"):
        unpack_floor(npz(**{**good(), "samples": np.zeros((1, 5000))}), "x")


PACKED = pack_floor(a_floor(np.random.default_rng(2).standard_normal((1, 300)) * 0.01))


@given(st.data())
def test_any_damage_is_one_plain_message_or_none(data: st.DataObject) -> None:
    damaged = bytearray(PACKED)
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    try:
        floor = unpack_floor(bytes(damaged[: data.draw(st.integers(0, len(damaged)))]), "x")
    except InputError:
        return
    assert np.isfinite(floor.silence.samples).all()
