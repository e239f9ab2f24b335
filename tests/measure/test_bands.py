"""Bands by IEC 61260-1:2014, base 10."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.bands import OCTAVE, Band, band_weights, bands, nominal_hz

#: Nominal and exact centre, lower and upper edge in Hz, to the third decimal.
EDGES = (
    (20, 19.953, 17.783, 22.387), (25, 25.119, 22.387, 28.184), (31.5, 31.623, 28.184, 35.481),
    (40, 39.811, 35.481, 44.668), (50, 50.119, 44.668, 56.234), (63, 63.096, 56.234, 70.795),
    (80, 79.433, 70.795, 89.125), (100, 100.000, 89.125, 112.202), (125, 125.893, 112.202, 141.254),
    (160, 158.489, 141.254, 177.828), (200, 199.526, 177.828, 223.872),
    (250, 251.189, 223.872, 281.838), (315, 316.228, 281.838, 354.813),
    (400, 398.107, 354.813, 446.684), (500, 501.187, 446.684, 562.341),
    (630, 630.957, 562.341, 707.946), (800, 794.328, 707.946, 891.251),
    (1000, 1000.000, 891.251, 1122.018), (1250, 1258.925, 1122.018, 1412.538),
    (1600, 1584.893, 1412.538, 1778.279), (2000, 1995.262, 1778.279, 2238.721),
    (2500, 2511.886, 2238.721, 2818.383), (3150, 3162.278, 2818.383, 3548.134),
    (4000, 3981.072, 3548.134, 4466.836), (5000, 5011.872, 4466.836, 5623.413),
    (6300, 6309.573, 5623.413, 7079.458), (8000, 7943.282, 7079.458, 8912.509),
    (10_000, 10_000.000, 8912.509, 11_220.185), (12_500, 12_589.254, 11_220.185, 14_125.375),
    (16_000, 15_848.932, 14_125.375, 17_782.794), (20_000, 19_952.623, 17_782.794, 22_387.211),
)  # fmt: skip
OCTAVES = (
    (31.5, 22.387, 44.668), (63, 44.668, 89.125), (125, 89.125, 177.828), (250, 177.828, 354.813),
    (500, 354.813, 707.946), (1000, 707.946, 1412.538), (2000, 1412.538, 2818.383),
    (4000, 2818.383, 5623.413), (8000, 5623.413, 11_220.185), (16_000, 11_220.185, 22_387.211),
)  # fmt: skip


def test_third_octaves_have_the_edges_of_the_standard() -> None:
    found = [(band.name_hz, band.centre_hz, band.low_hz, band.high_hz) for band in bands()]
    np.testing.assert_allclose(found, EDGES, atol=6e-4)


def test_octaves_have_the_edges_of_the_standard() -> None:
    found = [(band.name_hz, band.low_hz, band.high_hz) for band in bands(31.5, 16_000, 1)]
    np.testing.assert_allclose(found, OCTAVES, atol=6e-4)


@pytest.mark.parametrize(
    ("hum_hz", "name"),
    [(50, "50"), (60, "63"), (100, "100"), (120, "125"), (150, "160"), (180, "200")],
)
def test_hum_lies_in_its_band(hum_hz: float, name: str) -> None:
    # 60 Hz is not in the 50 Hz band, and 180 Hz lies just above the edge at 177.8 Hz.
    assert [band.name for band in bands() if band.low_hz <= hum_hz < band.high_hz] == [name]


def test_names_are_those_of_iso_266() -> None:
    assert [band.name for band in bands(800, 20_000)][:5] == [
        "800",
        "1 k",
        "1.25 k",
        "1.6 k",
        "2 k",
    ]
    assert nominal_hz(31.623) == pytest.approx(31.5)
    assert abs(OCTAVE - 1.9952623) < 1e-7


def test_every_bin_counts_once() -> None:
    shown = bands()
    weights = band_weights(tuple((b.low_hz, b.high_hz) for b in shown), 32_769, 48_000 / 65_536)
    inside = weights.sum(axis=0)
    hz = np.arange(32_769) * 48_000 / 65_536
    np.testing.assert_allclose(inside[(hz > 19) & (hz < 22_000)], 1.0, atol=1e-9)
    # The widths come out, too, where bins are cut.
    widths = weights.sum(axis=1) * 48_000 / 65_536
    np.testing.assert_allclose(widths, [band.high_hz - band.low_hz for band in shown], rtol=1e-9)


def test_three_thirds_make_their_octave() -> None:
    psd = np.random.default_rng(1).random(8193)

    def sums(shown: tuple[Band, ...]) -> np.ndarray:
        return band_weights(tuple((b.low_hz, b.high_hz) for b in shown), psd.size, 2.9) @ psd

    thirds = sums(bands(25, 20_000)).reshape(-1, 3).sum(axis=1)
    np.testing.assert_allclose(thirds, sums(bands(31.5, 16_000, 1)), rtol=1e-9)


def test_white_noise_rises_by_1_db_a_third_and_3_db_an_octave() -> None:
    for per_octave, step_db in ((3, 1.0), (1, 3.0)):
        shown = bands(31.5, 16_000, per_octave)
        width = np.array([band.high_hz - band.low_hz for band in shown])
        np.testing.assert_allclose(np.diff(10 * np.log10(width)), step_db, atol=1e-9)
