"""The parts of a page, without a browser."""

from __future__ import annotations

import base64
import io

import numpy as np
import pytest
import soundfile
from PIL import Image

from cleanchain.audio.capture import Capture
from cleanchain.hearing_room import EQUAL, MATCHED, OWN, room_of_captures
from cleanchain.measure.passages import choose_passages
from cleanchain.measure.spectrogram import BANDS_AN_OCTAVE, LOWEST_HZ, measure_spectrogram
from cleanchain.measure.traces import measure_trace
from cleanchain.report.axes import Axis, glued, note_name, signed, typeset
from cleanchain.report.pictures import png
from cleanchain.report.waves import in_base64

RATE = 48_000


def test_waves_are_kept_to_half_a_step_of_24_bits() -> None:
    samples = np.random.default_rng(1).uniform(-0.9, 0.9, (2, 500))
    for scale in (1.0, 4.0):
        stored = io.BytesIO(base64.b64decode(in_base64(scale * samples, scale, RATE)))
        back, rate = soundfile.read(stored, always_2d=True)
        assert rate == RATE
        assert np.abs(back.T - samples).max() <= 2.0**-24


def test_pictures_are_what_another_reader_reads() -> None:
    grey = np.random.default_rng(2).integers(0, 256, (7, 13), dtype=np.uint8)
    np.testing.assert_array_equal(np.asarray(Image.open(io.BytesIO(png(grey)))), grey)


@pytest.mark.parametrize(
    ("hz", "name"),
    [(440.0, "A4"), (261.6256, "C4"), (27.5, "A0"), (452.9, "A♯4 \N{MINUS SIGN}50 cents")],
)
def test_notes_of_equal_temperament(hz: float, name: str) -> None:
    assert note_name(hz) == name


def test_numbers_have_true_minus_signs() -> None:
    assert signed(-0.04) == "0.0"
    assert signed(-3.25, 2) == "\N{MINUS SIGN}3.25"
    assert typeset("B - A: -3 dB in take-2.wav") == (
        "B \N{MINUS SIGN} A: \N{MINUS SIGN}3 dB in take-2.wav"
    )


def test_numbers_keep_their_units() -> None:
    space = "\N{NO-BREAK SPACE}"
    assert glued("98 % at 50 Hz in 2.4 s, 3 stages") == (
        f"98{space}% at 50{space}Hz in 2.4{space}s, 3 stages"
    )


def test_axes_place_and_name_their_values() -> None:
    axis = Axis("frequency, Hz", 20.0, 20_000.0, "frequency", "Hz")
    assert axis.place(20.0) == 0.0
    assert axis.place(20_000.0) == pytest.approx(1.0)
    assert [tick.text for tick in axis.ticks() if not tick.minor] == ["100", "1 k", "10 k"]
    level = Axis("dB", -12.0, 12.0, "level", "dB")
    assert axis.value(axis.place(440.0)) == pytest.approx(440.0)
    zero = next(tick for tick in level.ticks() if tick.zero)
    assert (zero.percent, zero.text) == (50.0, "0")


def test_passages_are_where_it_is_loud_dies_away_and_is_quiet() -> None:
    t = np.arange(40 * RATE) / RATE
    noise = 1e-3 * np.random.default_rng(3).standard_normal(t.size)
    level = np.where((t > 5) & (t < 12), 0.5, 0.02)
    level = np.where(t > 20, 0.2 * np.exp(-1.2 * (t - 20)), level)
    level[t > 30] = 0.0
    wave = level * np.sin(2 * np.pi * 300 * t) + noise
    wave[t > 37] = 0.0  # digital silence is no gap
    found = choose_passages(Capture(wave[None], RATE, "made"), 3, 6.0)
    assert [passage.kind for passage in found] == ["loud passage", "tail", "gap"]
    loud, tail, gap = ((p.start / RATE, p.stop / RATE) for p in found)
    assert 4.9 < loud[0] < loud[1] < 12.1
    assert 17 < tail[0] < 22
    assert gap[0] > 29
    assert gap[1] < 38


def test_a_trace_holds_the_true_level_in_its_interval() -> None:
    noise = 0.1 * np.random.default_rng(4).standard_normal((1, 20 * RATE))
    trace = measure_trace(Capture(noise, RATE, "noise"))
    true_db = 10 * np.log10(2 * 0.01 / (RATE / 2))  # power 0.01 over half the rate
    held = (trace.low_db <= true_db) & (true_db <= trace.high_db)
    # Of some 230 points 95 % hold it, give or take three standard deviations of 1.4 %.
    assert held.mean() > 0.95 - 3 * 0.0144


def test_a_spectrogram_shows_a_tone_where_and_when_it_sounds() -> None:
    t = np.arange(8 * RATE) / RATE
    tone = 0.1 * np.sin(2 * np.pi * 1000 * t) * (t > 4)
    field = measure_spectrogram(Capture(tone[None], RATE, "tone"))
    band = int(BANDS_AN_OCTAVE * np.log2(1000 / LOWEST_HZ))
    columns = field.level_db.shape[1]
    late = field.level_db[:, int(0.75 * columns)]
    assert abs(int(np.argmax(late)) - band) <= 1
    assert field.level_db[band, int(0.25 * columns)] < late[band] - 100
    assert field.seconds == 8.0


def test_gains_match_and_nothing_passes_full_scale() -> None:
    rng = np.random.default_rng(5)
    loud = (0.5 * rng.standard_normal((1, 9 * RATE))).clip(-0.99, 0.99)
    soft = 0.01 * rng.standard_normal((1, 9 * RATE))
    room = room_of_captures({"loud": Capture(loud, RATE, "a"), "soft": Capture(soft, RATE, "b")})
    heard = room.heard[0]
    for way in (OWN, MATCHED, EQUAL):
        for voice in room.voices:
            peak = np.abs(heard.wave(voice)).max() * 10 ** (heard.gains_db[way][voice.key] / 20)
            assert peak <= 1.0 + 1e-9
    rms = [
        20 * np.log10(heard.wave(voice).std()) + heard.gains_db[EQUAL][voice.key]
        for voice in room.voices
    ]
    assert rms[0] - rms[1] == pytest.approx(0.0, abs=0.1)  # both are white: any weighting agrees
