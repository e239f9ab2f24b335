"""The weighting curves against the tables of their standards."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.weighting import (
    a_weighting_db,
    c_weighting_db,
    ccir_rms_weighting_db,
    weighting_468_db,
)

#: IEC 61672-1:2013, table 3: third octaves from 10 Hz to 20 kHz, A and C in dB. They hold at the
#: exact base-10 frequencies, not at the nominal ones.
IEC_A = (
    -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4,
    -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1,
    -2.5, -4.3, -6.6, -9.3,
)  # fmt: skip
IEC_C = (
    -14.3, -11.2, -8.5, -6.2, -4.4, -3.0, -2.0, -1.3, -0.8, -0.5, -0.3, -0.2, -0.1, 0.0, 0.0, 0.0,
    0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -0.1, -0.2, -0.3, -0.5, -0.8, -1.3, -2.0, -3.0, -4.4, -6.2,
    -8.5, -11.2,
)  # fmt: skip
EXACT_HZ = 1000 * 10 ** ((np.arange(10, 44) - 30) / 10)
#: ITU-R BS.468-4, table 1: frequency in Hz, response and tolerance in dB. At 6.3 kHz it prints a
#: tolerance of 0; AES17 gives 0.01 there, and the table is rounded to 0.1.
TABLE_468 = (
    (31.5, -29.9, 2.0), (63, -23.9, 1.4), (100, -19.8, 1.0), (200, -13.8, 0.85), (400, -7.8, 0.7),
    (800, -1.9, 0.55), (1000, 0.0, 0.5), (2000, 5.6, 0.5), (3150, 9.0, 0.5), (4000, 10.5, 0.5),
    (5000, 11.7, 0.5), (6300, 12.2, 0.05), (7100, 12.0, 0.2), (8000, 11.4, 0.4), (9000, 10.1, 0.6),
    (10_000, 8.1, 0.8), (12_500, 0.0, 1.2), (14_000, -5.3, 1.4), (16_000, -11.7, 1.6),
    (20_000, -22.2, 2.0), (31_500, -42.7, 2.8),
)  # fmt: skip


def test_a_and_c_are_the_table_of_the_standard_to_its_last_digit() -> None:
    # Half a unit of the last digit, and what floats leave.
    np.testing.assert_allclose(a_weighting_db(EXACT_HZ), IEC_A, atol=0.0501)
    np.testing.assert_allclose(c_weighting_db(EXACT_HZ), IEC_C, atol=0.0501)


def test_the_nominal_frequencies_would_miss_the_table() -> None:
    # So the test above can fail: at 12.5 Hz by name the curve is 0.1 dB off the exact band's.
    assert abs(a_weighting_db(np.array([12.5]))[0] - -63.4) > 0.0501


def test_mains_hum_nearly_vanishes_in_a_weighting() -> None:
    # By the formula of IEC 61672-1:2013, annex E.
    hum_hz = np.array([50.0, 60.0, 100.0, 120.0, 150.0, 180.0])
    expected = (-30.27, -27.05, -19.14, -16.71, -13.98, -11.95)
    np.testing.assert_allclose(a_weighting_db(hum_hz), expected, atol=0.006)


def test_a_and_c_agree_with_librosa() -> None:
    import librosa

    f = np.geomspace(20, 20_000, 200)
    np.testing.assert_allclose(a_weighting_db(f), librosa.A_weighting(f, min_db=None), atol=0.01)
    np.testing.assert_allclose(c_weighting_db(f), librosa.C_weighting(f, min_db=None), atol=0.01)


@pytest.mark.parametrize(("hz", "level_db", "tolerance_db"), TABLE_468)
def test_468_lies_within_its_table(hz: float, level_db: float, tolerance_db: float) -> None:
    level = float(weighting_468_db(np.array([hz]))[0])
    assert level == pytest.approx(level_db, abs=tolerance_db)
    assert level == pytest.approx(level_db, abs=0.06)  # far tighter than most of the tolerances


def test_468_reads_nothing_at_1_khz() -> None:
    assert weighting_468_db(np.array([1000.0]))[0] == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize(
    ("hz", "level_db"), [(63, -29.5), (2000, 0.0), (3150, 3.4), (8000, 5.8), (12_500, -5.6)]
)
def test_ccir_rms_is_the_table_of_aes17(hz: float, level_db: float) -> None:
    # AES17-2015, table 1; it shifted the rounded 468 table, so 0.09 dB.
    assert ccir_rms_weighting_db(np.array([float(hz)]))[0] == pytest.approx(level_db, abs=0.09)
