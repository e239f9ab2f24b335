import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanchain.errors import CleanchainError, SettingError
from cleanchain.units import (
    UNITS,
    format_time,
    looks_like_ranges,
    parse_quantity,
    parse_ranges_s,
    parse_time_s,
    rms_dbfs,
)


@pytest.mark.parametrize(
    ("text", "quantity", "value"),
    [
        ("60Hz", "frequency", 60.0),
        ("2.5 kHz", "frequency", 2500.0),
        ("60", "frequency", 60.0),
        ("-12dB", "level difference", -12.0),
        ("-23LUFS", "loudness", -23.0),
        ("-1dBTP", "true peak", -1.0),
        ("250ms", "time", 0.25),
    ],
)
def test_quantities_are_read_with_their_units(text: str, quantity: str, value: float) -> None:
    assert parse_quantity(text, quantity) == pytest.approx(value)


@pytest.mark.parametrize("text", ["60dB", "", "Hz", "nan", "inf", "1e999Hz", "60 Hz 5", "sixty"])
def test_wrong_quantities_are_refused_with_the_right_form(text: str) -> None:
    with pytest.raises(SettingError, match="frequency"):
        parse_quantity(text, "frequency")


@pytest.mark.parametrize(
    ("text", "seconds"), [("0:08", 8.0), ("2:10.5", 130.5), ("1:02:03", 3723.0), ("8s", 8.0)]
)
def test_times(text: str, seconds: float) -> None:
    assert parse_time_s(text) == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["0:75", "-3s", "1:99:00", "abc", ":5"])
def test_wrong_times_are_refused(text: str) -> None:
    with pytest.raises(SettingError):
        parse_time_s(text)


def test_ranges_are_sorted() -> None:
    assert parse_ranges_s("2:10-2:14,0:00-0:08") == ((0.0, 8.0), (130.0, 134.0))


@pytest.mark.parametrize("text", ["0:08-0:02", "0:00-0:08,0:04-0:10", "0:00", "0:00-", "a-b"])
def test_wrong_ranges_are_refused(text: str) -> None:
    with pytest.raises(SettingError):
        parse_ranges_s(text)


def test_ranges_and_file_names_are_told_apart() -> None:
    assert looks_like_ranges("0:00-0:08,2:10-2:14")
    assert looks_like_ranges("0-8s")
    assert not looks_like_ranges("silence-2.wav")
    assert not looks_like_ranges("auto")


@given(st.floats(0, 1e5))
def test_a_written_time_reads_back_to_a_twentieth_of_a_second(seconds: float) -> None:
    assert parse_time_s(format_time(seconds)) == pytest.approx(seconds, abs=0.0501)


@given(st.text(max_size=30), st.sampled_from(sorted(UNITS)))
def test_any_text_gives_a_finite_number_or_a_clear_refusal(text: str, quantity: str) -> None:
    with suppress(CleanchainError):
        assert math.isfinite(parse_quantity(text, quantity))


@given(st.text(alphabet="0123456789:.,-ms ", max_size=30))
def test_any_range_text_gives_ordered_ranges_or_a_clear_refusal(text: str) -> None:
    with suppress(CleanchainError):
        assert all(start < stop for start, stop in parse_ranges_s(text))


def test_a_full_scale_sine_is_0_dbfs() -> None:
    """AES17-2015, 3.12: 0 dBFS is the rms of a full-scale sine."""
    assert rms_dbfs(0.5) == 0.0
    assert rms_dbfs(1.0) == pytest.approx(3.0103, abs=1e-4)  # full-scale square wave
