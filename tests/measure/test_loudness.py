"""Against the signals of EBU Tech 3341 and 3342 and the anchors of ITU-R BS.1770-5."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture
from cleanchain.measure.k_weighting import KWeighting
from cleanchain.measure.loudness import LoudnessMeter, measure_loudness

RATES = [44_100, 48_000, 96_000, 192_000]
all_rates = pytest.mark.parametrize(
    "rate_hz",
    [*RATES[:2], *(pytest.param(rate_hz, marks=pytest.mark.long) for rate_hz in RATES[2:])],
)


def steps(rate_hz: int, *parts: tuple[float, float], channels: int = 2) -> Capture:
    """A 1 kHz sine in all channels: (seconds, peak level in dBFS) one after the other."""
    level = np.concatenate(
        [np.full(round(seconds * rate_hz), 10 ** (db / 20)) for seconds, db in parts]
    )
    wave = level * np.sin(2 * np.pi * 1000 * np.arange(level.size) / rate_hz)
    return Capture(np.tile(wave, (channels, 1)), rate_hz)


@pytest.mark.parametrize(
    ("rate_hz", "within"),
    [(8000, 0.02), (11_025, 0.02), (16_000, 0.02), (22_050, 0.02), (32_000, 0.01), (44_100, 0.01),
     (48_000, 0.002), (88_200, 0.01), (96_000, 0.01), (192_000, 0.01), (384_000, 0.01)],
)  # fmt: skip
def test_full_scale_997_hz_in_one_channel_reads_minus_3_01(rate_hz: int, within: float) -> None:
    """ITU-R BS.1770-5 Annex 1: -3.01 LKFS."""
    seconds = np.arange(4 * rate_hz) / rate_hz
    found = measure_loudness(Capture(np.sin(2 * np.pi * 997 * seconds), rate_hz))
    assert found.integrated_lufs == pytest.approx(-3.0103, abs=within)


TECH_3341 = {
    1: ([(20, -23)], -23.0),
    2: ([(20, -33)], -33.0),
    3: ([(10, -36), (60, -23), (10, -36)], -23.0),
    4: ([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0),
    5: ([(20, -26), (20.1, -20), (20, -26)], -23.0),
}


@all_rates
@pytest.mark.parametrize("case", TECH_3341)
def test_tech_3341_integrated(case: int, rate_hz: int) -> None:
    """EBU Tech 3341, Table 1, signals 1 to 5: +-0.1 LU."""
    parts, wanted = TECH_3341[case]
    found = measure_loudness(steps(rate_hz, *parts))
    assert found.integrated_lufs == pytest.approx(wanted, abs=0.1)
    if case <= 2:
        assert found.momentary_max_lufs == pytest.approx(wanted, abs=0.1)
        assert found.short_term_max_lufs == pytest.approx(wanted, abs=0.1)


@all_rates
def test_tech_3341_surround(rate_hz: int) -> None:
    """Signal 6: five channels, L R -28, C -24, Ls Rs -30 dBFS."""
    tone = np.sin(2 * np.pi * 1000 * np.arange(20 * rate_hz) / rate_hz)
    levels = 10 ** (np.array([-28, -28, -24, -30, -30]) / 20)
    found = measure_loudness(Capture(levels[:, None] * tone, rate_hz))
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_the_low_frequency_channel_of_six_does_not_count() -> None:
    """ITU-R BS.1770-5 Annex 1, Table 3."""
    rng = np.random.default_rng(9)
    five = 0.1 * rng.standard_normal((5, 48_000))
    six = np.insert(five, 3, rng.standard_normal(48_000), axis=0)
    one, other = (measure_loudness(Capture(wave, 48_000)) for wave in (five, six))
    assert one.integrated_lufs == pytest.approx(other.integrated_lufs, abs=1e-9)


@all_rates
def test_tech_3341_short_term_of_a_pattern_of_3_s(rate_hz: int) -> None:
    """Signal 9: (1.34 s at -20, 1.66 s at -30) five times: S is -23 throughout."""
    found = measure_loudness(steps(rate_hz, *([(1.34, -20), (1.66, -30)] * 5)))
    assert found.short_term_max_lufs == pytest.approx(-23.0, abs=0.1)
    assert found.range_lu == pytest.approx(0.0, abs=0.1)


@all_rates
@pytest.mark.parametrize("i", range(20))
def test_tech_3341_largest_short_term(i: int, rate_hz: int) -> None:
    """Signals 10 and 11: 3 s of tone at any place; the second kind goes from -38 to -19."""
    pause = max(i * 0.15, 1e-9)
    found = measure_loudness(steps(rate_hz, (pause, -200), (3, -23), (1, -200)))
    assert found.short_term_max_lufs == pytest.approx(-23.0, abs=0.1)
    found = measure_loudness(steps(rate_hz, (pause, -200), (3, -38 + i), (3 - pause, -200)))
    assert found.short_term_max_lufs == pytest.approx(-38.0 + i, abs=0.1)


@all_rates
def test_tech_3341_momentary_of_a_pattern_of_400_ms(rate_hz: int) -> None:
    """Signal 12: (0.18 s at -20, 0.22 s at -30) 25 times: M is -23 from 1 s on."""
    found = measure_loudness(steps(rate_hz, *([(0.18, -20), (0.22, -30)] * 25)))
    assert found.momentary_max_lufs == pytest.approx(-23.0, abs=0.1)
    assert found.blocks_lufs[6:] == pytest.approx(-23.0, abs=0.1)


@all_rates
@pytest.mark.parametrize("i", range(20))
def test_tech_3341_largest_momentary(i: int, rate_hz: int) -> None:
    """Signals 13 and 14: 400 ms of tone at any place; the second kind goes from -38 to -19."""
    pause = max(i * 0.02, 1e-9)
    found = measure_loudness(steps(rate_hz, (pause, -200), (0.4, -23), (1, -200)))
    assert found.momentary_max_lufs == pytest.approx(-23.0, abs=0.1)
    found = measure_loudness(steps(rate_hz, (pause, -200), (0.4, -38 + i), (0.4 - pause, -200)))
    assert found.momentary_max_lufs == pytest.approx(-38.0 + i, abs=0.1)


def test_tech_3341_rising_bursts_in_one_file() -> None:
    """Signals 11 and 14 as a whole: the last burst is the loudest."""
    bursts = [((i * 0.15, -200), (3, -38 + i), (3 - i * 0.15, -200)) for i in range(20)]
    found = measure_loudness(steps(48_000, *(part for burst in bursts for part in burst)))
    assert found.short_term_max_lufs == pytest.approx(-19.0, abs=0.1)
    bursts = [((i * 0.02, -200), (0.4, -38 + i), (0.4 - i * 0.02, -200)) for i in range(20)]
    found = measure_loudness(steps(48_000, *(part for burst in bursts for part in burst)))
    assert found.momentary_max_lufs == pytest.approx(-19.0, abs=0.1)


@all_rates
@pytest.mark.parametrize(
    ("parts", "range_lu"),
    [
        ([(20, -20), (20, -30)], 10),
        ([(20, -20), (20, -15)], 5),
        ([(20, -40), (20, -20)], 20),
        ([(20, -50), (20, -35), (20, -20), (20, -35), (20, -50)], 15),
    ],
)
def test_tech_3342(parts: list[tuple[float, float]], range_lu: float, rate_hz: int) -> None:
    """EBU Tech 3342, signals 1 to 4: +-1 LU."""
    found = measure_loudness(steps(rate_hz, *parts))
    assert found.range_lu == pytest.approx(range_lu, abs=0.2)


@pytest.mark.parametrize("rate_hz", [96_000, 192_000])
def test_high_rates_in_short(rate_hz: int) -> None:
    """Signals 2 and 4, 13 and those of Tech 3342, shortened: what the whole ones must show."""
    found = measure_loudness(steps(rate_hz, (2, -72), (2, -36), (12, -23), (2, -36), (2, -72)))
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.15)
    found = measure_loudness(steps(rate_hz, (0.06, -200), (0.4, -33), (1, -200)))
    assert found.momentary_max_lufs == pytest.approx(-33.0, abs=0.1)
    found = measure_loudness(steps(rate_hz, (12, -20), (12, -30)))
    assert found.range_lu == pytest.approx(10, abs=0.3)


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize(
    ("divisor", "amplitude", "degrees", "wanted"),
    [(4, 0.5, 0, -6.0), (4, 0.5, 45, -6.0), (6, 0.5, 60, -6.0), (8, 0.5, 67.5, -6.0),
     (4, 1.41, 45, 3.0)],
)  # fmt: skip
def test_tech_3341_true_peak(
    divisor: int, amplitude: float, degrees: float, wanted: float, rate_hz: int
) -> None:
    """EBU Tech 3341, signals 15 to 19: +0.2/-0.4 dB, faded in and out over 10 ms."""
    n = np.arange(rate_hz)
    fade = np.minimum(1.0, np.minimum(n, n[::-1]) / (0.01 * rate_hz))
    wave = amplitude * fade * np.sin(2 * np.pi * n / divisor + np.radians(degrees))
    peak = measure_loudness(Capture(wave, rate_hz)).true_peak_dbtp
    assert peak is not None
    assert wanted - 0.4 <= peak <= wanted + 0.2
    assert peak == pytest.approx(20 * np.log10(amplitude), abs=0.05)  # closer than is asked


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("offset", [0, 1, 2, 3])
def test_tech_3341_true_peak_of_one_loud_period(offset: int, rate_hz: int) -> None:
    """Signals 20 to 23: fs/6 at 0.5 with one period of fs/4 at 1.0, made at four times the rate."""
    four = 4 * rate_hz
    n = np.arange(four)
    loud = (n >= four // 2) & (n < four // 2 + 16)
    phase = 2 * np.pi * np.cumsum(np.where(loud, 1 / 16, 1 / 24))
    wave = np.where(loud, 1.0, 0.5) * np.sin(phase)
    wave *= np.minimum(1.0, np.minimum(n, n[::-1]) / (0.01 * four))
    spectrum = np.fft.rfft(wave)
    spectrum *= np.clip((0.5 - 4 * np.fft.rfftfreq(wave.size)) / 0.05, 0, 1)
    wave = np.fft.irfft(spectrum, wave.size)
    truth = 20 * np.log10(np.abs(wave).max())
    found = measure_loudness(Capture(wave[offset::4], rate_hz))
    assert found.true_peak_dbtp == pytest.approx(truth, abs=0.2)
    assert -0.4 <= found.true_peak_dbtp <= 0.2  # type: ignore[operator]
    assert found.true_peak_at_s == pytest.approx(0.5, abs=0.001)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100])
def test_any_block_size_gives_the_same(rate_hz: int) -> None:
    """To the last bit, and so to the 1e-9 that is asked."""
    rng = np.random.default_rng(4)
    frames = 25 * rate_hz + 1
    noise = 0.1 * rng.standard_normal((2, frames)) * np.linspace(0.1, 1, frames)
    found = []
    for size in (frames, 65_536, 4801, 331):
        meter = LoudnessMeter(rate_hz, 2)
        for start in range(0, frames, size):
            meter.push(noise[:, start : start + size])
        found.append(meter.result())
    for other in found[1:]:
        assert other == found[0]
        assert np.array_equal(other.blocks_lufs, found[0].blocks_lufs)


@pytest.mark.parametrize("frame", [0, 1, 49_151, 49_152, 49_167, 49_168, 98_303, 98_304, 109_999])
def test_a_peak_is_found_where_pieces_meet(frame: int) -> None:
    """At 8 kHz two pieces of 49,152 frames are measured at a time."""
    assert KWeighting(8_000).warm_up_frames * 32 == 49_152
    wave = 0.01 * np.sin(np.arange(110_000) * 0.3)
    wave[frame] = 0.5
    found = measure_loudness(Capture(wave, 8_000))
    assert found.true_peak_dbtp == pytest.approx(20 * np.log10(0.5), abs=0.01)
    assert found.true_peak_at_s == pytest.approx(frame / 8_000, abs=1e-9)


def test_a_gain_moves_the_loudness_by_itself() -> None:
    rng = np.random.default_rng(5)
    noise = 0.05 * rng.standard_normal((1, 100_000))
    one, two = (measure_loudness(Capture(gain * noise, 48_000)) for gain in (1.0, 10 ** (7.3 / 20)))
    assert two.integrated_lufs - one.integrated_lufs == pytest.approx(7.3, abs=1e-9)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        (np.zeros(48_000), "silent"),
        (np.full(1000, 0.1), "shorter"),
        (1e-5 * np.random.default_rng(1).standard_normal(48_000), "gate"),
    ],
)
def test_what_has_no_loudness_says_why(samples: np.ndarray, reason: str) -> None:
    found = measure_loudness(Capture(samples, 48_000))
    assert found.integrated_lufs is None
    assert reason in found.reason


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros((1, 0)),
        np.array([[0.5]]),
        np.ones((1, 60_000)),
        np.tile([1.0, -1.0], 30_000)[None],
        np.eye(1, 60_000, 59_999),
        np.eye(1, 60_000, 100) * 1e-30,
        np.full((2, 60_000), 1e-9),
        np.vstack([np.zeros(60_000), np.sin(np.arange(60_000))]),
    ],
)
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 384_000])
def test_odd_takes_have_finite_numbers_or_a_reason(samples: np.ndarray, rate_hz: int) -> None:
    found = measure_loudness(Capture(samples, rate_hz))
    assert (found.integrated_lufs is None) == bool(found.reason)
    for value in (found.integrated_lufs, found.range_lu, found.momentary_max_lufs,
                  found.short_term_max_lufs, found.true_peak_dbtp):  # fmt: skip
        assert value is None or np.isfinite(value)
    assert 0 <= found.true_peak_at_s <= samples.shape[1] / rate_hz
