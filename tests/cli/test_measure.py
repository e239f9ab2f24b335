from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.generated_builds import RATE_HZ, Build, listening, played, silence

Run = Callable[..., subprocess.CompletedProcess[str]]
BUILD = Build(hiss_dbfs=-60.0, hum_dbfs=-45.0, hears_db=-8.0, corner_hz=150.0)
CONTROL = Build(hiss_dbfs=-70.0, hum_dbfs=-65.0, hears_db=-300.0)
SET = (
    *("--silence", "silence.wav", "--interface", "interface.wav", "--control", "control.wav"),
    *("--stimulus", "heard.wav", "--control-stimulus", "deaf.wav", "--played", "played.wav"),
)


@pytest.fixture
def build_set(tmp_path: Path) -> Path:
    rng = np.random.default_rng(1)
    stimulus = played(rng, 8.0)
    captures = {
        "played": stimulus,
        "silence": silence(rng, BUILD, 8.0),
        "interface": silence(rng, Build(hiss_dbfs=-85.0, hum_dbfs=-np.inf), 8.0),
        "control": silence(rng, CONTROL, 8.0),
        "heard": listening(rng, BUILD, stimulus),
        "deaf": listening(rng, CONTROL, stimulus),
    }
    for name, capture in captures.items():
        soundfile.write(tmp_path / f"{name}.wav", capture.samples.T, RATE_HZ, subtype="PCM_24")
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    soundfile.write(tmp_path / "tone.wav", 0.1 * np.sin(2 * np.pi * 1000 * t), RATE_HZ, "PCM_24")
    return tmp_path


def test_json_has_its_form_and_its_truth(
    build_set: Path, run_json: Callable[..., dict[str, Any]]
) -> None:
    data = run_json("measure", *SET, "--full-scale", "2V", "--json")
    assert {
        *("schema", "captures", "mains_hz", "floor_dbfs", "floor_a_dbfs", "hum_dbfs", "hiss_dbfs"),
        *("harmonics", "bands", "usable_from_hz", "hears_more_than_control", "checks", "reasons"),
    } <= set(data)
    band_form = {"centre_hz", "floor_dbfs", "low_db", "high_db", "above_interface_db"}
    assert band_form | {"stimulus_to_floor_db"} <= set(data["bands"][0])
    assert data["hum_dbfs"] == pytest.approx(-45.0, abs=0.3)
    assert data["hiss_dbfs"] == pytest.approx(-60.0, abs=0.3)
    assert data["mains_hz"] == pytest.approx(50.02, abs=0.01)
    assert [line["harmonic"] for line in data["harmonics"]] == [1, 3, 5]
    assert data["hears_more_than_control"] is True
    assert data["played"]["stimulus"]["lag_s"] == pytest.approx(0.35, abs=1e-4)
    assert set(data["captures"]) == {
        *("silence", "interface", "control", "stimulus", "control_stimulus"),
    }
    bands = {band["name_hz"]: band for band in data["bands"]}
    assert bands[1000.0]["above_interface_db"] == pytest.approx(25.0, abs=0.5)
    assert bands[1000.0]["low_db"] < bands[1000.0]["floor_dbfs"] < bands[1000.0]["high_db"]
    # -60 dBFS of 2 V in 19 980 Hz: 2 mV / sqrt(19 980) = 14.15 uV per root Hz, everywhere.
    assert bands[4000.0]["hiss_nv_per_root_hz"] == pytest.approx(14_149, rel=0.03)
    assert data["calibration"]["hiss_at_1khz_nv_per_root_hz"] == pytest.approx(14_149, rel=0.08)
    # Heard 22 dB over the hiss above 150 Hz, 12 dB an octave less below it: 6 dB at 60 Hz.
    assert data["usable_from_hz"] in (50.0, 63.0, 80.0)
    assert data["calibration"]["floor_dbv"] == pytest.approx(data["floor_dbfs"] + 6.02, abs=0.01)


def test_a_silence_alone_says_what_is_missing(
    build_set: Path, run_json: Callable[..., dict[str, Any]]
) -> None:
    data = run_json("measure", "--silence", "silence.wav", "--json")
    assert data["usable_from_hz"] is None
    assert data["hears_more_than_control"] is None
    assert {"usable_from_hz", "hears_more_than_control", "above_interface_db"} <= set(
        data["reasons"]
    )


def test_the_text_fits_and_tells(build_set: Path, run: Run) -> None:
    text = run("measure", *SET, "--calibrate", "tone.wav=-20dBu").stdout
    assert max(map(len, text.splitlines())) <= 80
    assert "It hears what the dead control does not." in text
    assert "Never" not in text.split("Leave every protective earth")[0]
    # -20 dBu reads -20 dBFS: a floor of -44.9 dBFS is -44.9 dBu.
    assert "-44.9 dBFS  -44.9 dBu" in text
    assert "record" in text


def test_the_channel_that_is_measured_is_said_where_there_is_a_choice(
    build_set: Path, run: Run, run_json: Callable[..., dict[str, Any]]
) -> None:
    names = ("heard", "silence")
    waves = [soundfile.read(build_set / f"{name}.wav", 5 * RATE_HZ)[0] for name in names]
    soundfile.write(build_set / "wide.wav", np.stack(waves, axis=1), RATE_HZ, "PCM_24")
    words = ("measure", "--silence", "wide.wav", "--channel", "2")
    assert run(*words).stdout.startswith("wide.wav, channel 2 of 2 (--channel), ")
    data = run_json(*words, "--json")
    assert (data["channel"], data["captures"]["silence"]["channels"]) == (2, 2)
    assert data["hum_dbfs"] == pytest.approx(-45.0, abs=0.3)
    assert "channel" not in run("measure", "--silence", "silence.wav").stdout.split("\n")[0]


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_a_figure(build_set: Path, run: Run, ending: str) -> None:
    words = ("--source-capacitance", "15nF", "--load", "1Mohm", "--full-scale", "2V")
    run("measure", *SET, *words, "--plot", f"figure.{ending}")
    figure = build_set / f"figure.{ending}"
    if ending == "svg":
        drawn = figure.read_text(encoding="utf-8")
        for word in ("A4 = 440 Hz", "third-octave level, dBFS", "dBu", "hum lines", "interface"):
            assert word in drawn
        assert "thermal" in drawn
        assert "dead control" in drawn
        assert "usable from the" in drawn
    else:
        assert figure.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_figure_of_a_silence_alone(build_set: Path, run: Run) -> None:
    run("measure", "--silence", "silence.wav", "--plot", "alone.svg")
    drawn = (build_set / "alone.svg").read_text(encoding="utf-8")
    assert "heard over floor" not in drawn
    run("measure", "--silence", "silence.wav", "--plot", "alone.svg", code=5)
    run("measure", "--silence", "silence.wav", "--plot", "again.svg")
    assert (build_set / "again.svg").read_text(encoding="utf-8") == drawn


def test_what_does_not_fit_is_refused(build_set: Path, run: Run) -> None:
    words = ("measure", "--silence", "silence.wav")
    soundfile.write(build_set / "other.wav", np.full(50_000, 1e-3), 44_100)
    assert "44100 Hz" in run(*words, "--interface", "other.wav", code=4).stderr
    assert "--channel" in run(*words, "--channel", "2", code=4).stderr
    assert (
        "twice" in run(*words, "--full-scale", "2V", "--calibrate", "tone.wav=0dBu", code=2).stderr
    )
    assert "--load" in run(*words, "--source-capacitance", "15nF", code=2).stderr
    assert "not a value in F" in run(*words, "--source-capacitance", "15 fish", code=2).stderr
    assert "not a level" in run(*words, "--full-scale", "loud", code=2).stderr
    assert "PNG" in run(*words, "--plot", "figure.txt", code=2).stderr
    assert "steady tone" in run(*words, "--calibrate", "control.wav=0dBu", code=3).stderr
    run("measure", code=2)


def test_stimulus_writes_what_it_says(tmp_path: Path, run: Run) -> None:
    text = run("stimulus", "--out", "noise.wav", "--seconds", "5", "--seed", "3").stderr
    assert "turned down" in text
    wave, rate = soundfile.read(tmp_path / "noise.wav")
    assert (rate, wave.shape) == (48_000, (240_000,))
    assert 10 * np.log10(2 * np.mean(wave**2)) == pytest.approx(-30.0, abs=1e-3)
    run("stimulus", "--out", "noise.wav", code=5)
    run("stimulus", "--out", "noise.wav", "--seconds", "5", "--seed", "3", "--force")
    again, _ = soundfile.read(tmp_path / "noise.wav")
    assert np.array_equal(wave, again)
    run("stimulus", "--out", "noise.mp3", code=2)
    run("stimulus", "--out", "loud.wav", "--level", "0", code=2)


def test_the_demo_gives_the_answers_of_its_truth(
    tmp_path: Path, run_json: Callable[..., dict[str, Any]], run: Run
) -> None:
    import json

    run("demo", "demo")
    truth = json.loads((tmp_path / "demo" / "truth.json").read_text(encoding="utf-8"))
    for letter, build in truth["builds"].items():
        data = run_json(
            *("measure", "--silence", f"demo/silence-{letter}.wav", "--json"),
            *("--interface", "demo/interface-floor.wav", "--control", "demo/dead-control.wav"),
            *("--stimulus", f"demo/noise-{letter}.wav", "--played", "demo/stimulus.wav"),
            *("--control-stimulus", "demo/noise-control.wav"),
        )
        assert data["hum_dbfs"] == pytest.approx(build["hum_dbfs"], abs=0.1)
        assert data["hiss_dbfs"] == pytest.approx(build["hiss_dbfs"], abs=0.1)
        assert data["mains_hz"] == pytest.approx(build["silence_mains_hz"], abs=0.005)
        # Amplitudes relative to the first; those that stand out of the hiss.
        first = data["harmonics"][0]["level_dbfs"]
        assert {str(line["harmonic"]) for line in data["harmonics"]} == set(build["harmonics"])
        for line in data["harmonics"]:
            relative = 20 * np.log10(build["harmonics"][str(line["harmonic"])])
            assert line["level_dbfs"] - first == pytest.approx(relative, abs=0.3)
        assert data["hears_more_than_control"] is True
        # 12 s are short for +-0.5 dB at 50 Hz; nothing else is wrong with the captures.
        failed = {check["check"] for check in data["checks"] if check["passed"] is False}
        assert failed == {"length"}
