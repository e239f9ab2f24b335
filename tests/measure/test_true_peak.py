"""The search against working out every value between the samples."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.measure.true_peak import MARGIN_FRAMES, TruePeak

FRAMES = 16_384


#: More than a tile of blocks, so that what one tile teaches about the next counts, and a part.
LONG = 5 * 32_768 + 8_192


def all_values(window: np.ndarray, factor: int) -> np.ndarray:
    """Every interpolated value, by the formula of the windowed sinc."""
    half = 16
    lags = np.arange(factor)[:, None] / factor - np.arange(1 - half, half + 1)
    lags = np.hstack([np.arange(factor)[:, None] / factor + half, lags])  # 33 taps from -16 on
    inside = np.clip(1 - (lags / half) ** 2, 0, None)
    kernel = np.where(inside > 0, np.sinc(lags) * np.i0(7 * np.sqrt(inside)) / np.i0(7.0), 0)
    kernel /= kernel.sum(axis=1, keepdims=True)
    windows = np.lib.stride_tricks.sliding_window_view(window, 2 * half + 1)
    return (windows[: window.size - 2 * half] @ kernel.T).ravel()


def signals() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(3)
    n = np.arange(FRAMES + 2 * MARGIN_FRAMES)
    click = np.zeros(n.size)
    click[5000:5002] = 0.7
    square = np.sign(np.sin(2 * np.pi * n / 44))
    return {
        "noise": rng.standard_normal(n.size),
        "rising noise": rng.standard_normal(n.size) * np.geomspace(0.01, 1, n.size),
        "low tone": 0.5 * np.sin(2 * np.pi * 0.0207 * n),
        "high tone": 0.5 * np.sin(2 * np.pi * 0.4567 * n),
        "click": click,
        "one sample": (n == 7001) * -0.9,
        "square": square,
        "constant": np.full(n.size, 0.25),
        "pluck": np.exp(-n / 3000) * np.sin(0.03 * n),
        "last sample": (n == FRAMES + MARGIN_FRAMES - 1) * 1.0,
        "tiny": 1e-9 * rng.standard_normal(n.size),
    }


@pytest.mark.parametrize(("rate_hz", "factor"), [(48_000, 8), (96_000, 4)])
@pytest.mark.parametrize("name", signals())
def test_the_search_misses_nothing(name: str, rate_hz: int, factor: int) -> None:
    window = signals()[name]
    wanted = np.abs(all_values(window, factor)).max()
    peak, place = TruePeak(rate_hz).search(window[None], 0.0)
    assert wanted * (1 - 1.2e-5) <= peak <= wanted * (1 + 1e-9)
    at = np.abs(all_values(window, factor))[round(place * factor)]
    assert at == pytest.approx(peak, rel=1e-9)


def programmes() -> dict[str, np.ndarray]:
    """Stretches of which most blocks have to be worked out, and some that turn into others."""
    rng = np.random.default_rng(8)
    n = np.arange(LONG + 2 * MARGIN_FRAMES)
    high = np.sin(2 * np.pi * 0.35673 * n)
    late = np.where(n > 100_000, 1.02, 1.0)
    return {
        "quarter of the rate": np.sin(np.pi * n / 2 + np.pi / 4),
        "sixth of the rate": np.sin(np.pi * n / 3 + 0.2),
        "high": 0.5 * high,
        "high, louder at last": 0.5 * high * late,
        "high, then a click": 0.3 * high + 0.3 * ((n == 90_001) | (n == 90_002)),
        "high, then noise": np.where(n < 80_000, high, 0.35 * rng.standard_normal(n.size)),
        "middle": np.sin(2 * np.pi * 0.0831 * n),
        "low": np.sin(2 * np.pi * 0.02077 * n),
        "lower": np.sin(2 * np.pi * 0.001 * n),
        "sweep": np.sin(np.pi * 0.49 * n**2 / n.size),
        "beat": high + np.sin(2 * np.pi * 0.3567 * n),
        "clipped": np.clip(1.5 * np.sin(0.05 * n) + 0.1 * rng.standard_normal(n.size), -0.8, 0.8),
    }


@pytest.mark.parametrize(("rate_hz", "factor"), [(48_000, 8), (96_000, 4)])
@pytest.mark.parametrize("name", programmes())
def test_long_stretches_lose_nothing_either(name: str, rate_hz: int, factor: int) -> None:
    window = programmes()[name]
    values = np.abs(all_values(window, factor))
    peak, place = TruePeak(rate_hz).search(window[None], 0.0)
    assert values.max() * (1 - 1.15e-5) <= peak <= values.max() * (1 + 1e-9)
    assert values[round(place * factor)] == pytest.approx(peak, rel=1e-9)


def test_only_what_goes_beyond_the_peak_so_far_counts() -> None:
    window = signals()["noise"][None]
    search = TruePeak(48_000)
    peak, _ = search.search(window, 0.0)
    assert search.search(window, peak) == (peak, 0.0)
    assert search.search(np.vstack([window, 2 * window]), peak)[0] == pytest.approx(2 * peak)


@pytest.mark.parametrize("frame", [0, 1, 7, 8, 15, 16, 239, 240, 255, 256, 257, 271, 272, 16_383])
def test_a_lone_sample_is_found_at_any_place(frame: int) -> None:
    window = np.zeros((1, FRAMES + 2 * MARGIN_FRAMES))
    window[0, MARGIN_FRAMES + frame] = 0.5
    assert TruePeak(48_000).search(window, 0.0) == (0.5, frame)
    window[0, 0] = window[0, -1] = 0.9  # what lies in the margins is another stretch's
    peak, place = TruePeak(48_000).search(window, 0.0)
    wanted = np.abs(all_values(window[0], 8))
    assert peak == pytest.approx(wanted.max(), rel=1.2e-5)
    assert place == np.argmax(wanted) / 8


@pytest.mark.parametrize("frequency", [0.05, 0.21, 0.33, 0.45])
def test_tones_read_within_the_spacing_of_the_values(frequency: float) -> None:
    """20 lg cos(pi f / 8) at most, ITU-R BS.1770-5 Attachment 1 to Annex 2."""
    n = np.arange(FRAMES + 2 * MARGIN_FRAMES)
    for phase in (0.0, 0.4, 1.1):
        peak, _ = TruePeak(48_000).search(np.sin(2 * np.pi * frequency * n + phase)[None], 0.0)
        assert np.cos(np.pi * frequency / 8) - 0.004 <= peak <= 1.004
