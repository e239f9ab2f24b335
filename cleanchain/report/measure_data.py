"""A measured build as plain data."""

from __future__ import annotations

from typing import Any

from cleanchain.budget import Budget
from cleanchain.measure.build import BuildReport
from cleanchain.measure.calibration import Calibration
from cleanchain.measure.hearing import MARGIN_DB, Hearing
from cleanchain.measure.hum_path import CAUTIONS, guess_path
from cleanchain.measure.levels import Levels
from cleanchain.measure.lines import Line
from cleanchain.measure.thermal import ElectricalSource
from cleanchain.units import power_db, rms_dbfs

#: Version of the plain data.
SCHEMA = "cleanchain/measure/1"
#: What dBFS means here.
CONVENTION = "0 dBFS is the rms of a full-scale sine (AES17-2015); 20 Hz to 20 kHz"
#: What every number from a played noise is relative to.
RELATIVE = "Loudspeaker, room and mounting are in what is heard: never an absolute curve."


def as_data(
    report: BuildReport,
    names: dict[str, str],
    budget: Budget,
    calibration: Calibration | None = None,
    source: ElectricalSource | None = None,
) -> dict[str, Any]:
    """Return everything measured as plain data, None where a number is not known.

    Parameters
    ----------
    report : BuildReport
        What was measured.
    names : dict of str to str
        The captures' names, by role.
    budget : Budget
        What the floor is made of.
    calibration : Calibration, optional
        Adds levels in volts.
    source : ElectricalSource, optional
        Adds its thermal noise and corner.
    """
    silence = report.silence
    split = silence.split
    hearing = report.hearing
    lowest = hearing.usable_from() if hearing else None
    reasons = dict(report.reasons)
    if hearing is None or "control_stimulus" not in report.listening:
        reasons.setdefault("hears_more_than_control", "needs captures of a dead control")
    return {
        "schema": SCHEMA,
        "convention": CONVENTION,
        "captures": {
            role: {
                "name": names.get(role, role),
                "seconds": level.seconds,
                "rate_hz": level.spectrum.rate_hz,
                "level_dbfs": _level(level.power()),
            }
            for role, level in report.levels.items()
        },
        "mains_hz": split.mains_hz,
        "mains_sd_hz": split.mains_sd_hz,
        "floor_dbfs": _level(silence.power()),
        "floor_a_dbfs": _level(silence.power("a")),
        "floor_468_rms_dbfs": _level(silence.power("468")),
        "floor_ccir_rms_dbfs": _level(silence.power("ccir")),
        "hum_dbfs": _level(silence.hum_power) if silence.tells_hum else None,
        "hiss_dbfs": _level(silence.hiss_power) if silence.tells_hum else None,
        "hum_share": silence.hum_power / silence.power() if silence.power() > 0 else None,
        "harmonics": [_line(line) for line in split.harmonics],
        "other_lines": [_line(line) for line in split.others],
        "bands": _bands(report, calibration),
        "usable_from_hz": lowest.name_hz if lowest else None,
        "usable_margin_db": MARGIN_DB,
        "deaf_below_is_sure": hearing.surely_deaf_below(lowest) if hearing and lowest else None,
        "hears_more_than_control": report.hears_more_than_control,
        "played": _played(report),
        "hum_path": [vars(guess) for guess in guess_path(split.harmonics)],
        "cautions": list(CAUTIONS),
        "budget": budget.as_dict(),
        "calibration": _calibration(silence, calibration),
        "source": _source(source),
        "checks": [vars(check) for check in report.checks],
        "reasons": reasons,
    }


def words(report: BuildReport, budget: Budget) -> list[str]:
    """Return what the numbers mean, a line each."""
    lines = []
    hearing = report.hearing
    if hearing:
        lines += _hearing_words(hearing)
    if report.hears_more_than_control is not None:
        lines.append(
            "It hears what the dead control does not."
            if report.hears_more_than_control
            else "It hears no more than the dead control: nothing shows that it lives."
        )
    return [*lines, *(line[0].upper() + line[1:].rstrip(".") + "." for line in budget.words())]


def _hearing_words(hearing: Hearing) -> list[str]:
    lowest = hearing.usable_from()
    margin = f"{MARGIN_DB:.0f} dB over its floor"
    if lowest is None:
        return [f"It hears nothing {margin}.", RELATIVE]
    found = [f"It hears the stimulus {margin} from the {lowest.name} Hz band up."]
    unsure = ", ".join(band.name for band in hearing.unsure_below(lowest))
    if unsure:
        found.append(f"Below it, {unsure} Hz is not sure (record for longer); the rest is deaf.")
    elif lowest is not hearing.bands[0]:
        found.append("Below it, every band is deaf with 95 % confidence.")
    drowned = [
        band.name
        for band, flag in zip(hearing.bands, hearing.drowned, strict=True)
        if flag and band.centre_hz > lowest.centre_hz
    ]
    if drowned:
        found.append(f"Hum drowns the bands {', '.join(drowned)} Hz.")
    return [*found, RELATIVE]


def _level(power: float) -> float | None:
    return rms_dbfs(power) if power > 1e-20 else None


def _line(line: Line) -> dict[str, Any]:
    return {
        "harmonic": line.harmonic,
        "frequency_hz": line.frequency_hz,
        "level_dbfs": rms_dbfs(line.power),
        "sd_db": 4.343 * line.sd / line.power,
    }


def _bands(report: BuildReport, calibration: Calibration | None) -> list[dict[str, Any]]:
    silence = report.silence
    low, high = silence.band_power.interval()
    interface = report.levels.get("interface")
    hearing = report.hearing
    leak = report.listening.get("control_stimulus")
    rows = []
    for place, band in enumerate(silence.bands):
        power = float(silence.band_power.power[place])
        row: dict[str, Any] = {
            "centre_hz": band.centre_hz,
            "name_hz": band.name_hz,
            "floor_dbfs": _level(power),
            "low_db": _level(float(low[place])),
            "high_db": _level(float(high[place])),
            "hiss_dbfs": _level(float(silence.band_hiss.power[place])),
            "hiss_nv_per_root_hz": None,
            "above_interface_db": None,
            "stimulus_to_floor_db": None,
            "stimulus_to_floor_below_db": None,
            "leak_to_floor_db": None,
            "leak_to_floor_below_db": None,
        }
        if calibration is not None:
            density = float(silence.band_hiss.power[place]) / (band.high_hz - band.low_hz)
            row["hiss_nv_per_root_hz"] = 1e9 * calibration.volts_squared(density) ** 0.5
        if interface is not None:
            row["above_interface_db"] = _ratio(power, float(interface.band_power.power[place]))
        if hearing is not None:
            if hearing.sure[place]:
                row["stimulus_to_floor_db"] = float(hearing.ratio_db[place])
            row["stimulus_to_floor_below_db"] = float(hearing.highest_ratio_db[place])
        if leak is not None:
            sd = float(leak.heard.variance[place]) ** 0.5
            heard = float(leak.heard.power[place])
            if heard > 3 * sd:
                row["leak_to_floor_db"] = _ratio(heard, power)
            row["leak_to_floor_below_db"] = _ratio(max(heard, 0.0) + 1.645 * sd, power)
        rows.append(row)
    return rows


def _ratio(one: float, other: float) -> float | None:
    return power_db(one / other) if one > 0 and other > 0 else None


def _played(report: BuildReport) -> dict[str, Any]:
    return {
        role: {
            "found": listening.place.found,
            "lag_s": listening.place.lag_frames / report.silence.spectrum.rate_hz,
            "clock_drift_ppm": listening.place.drift_ppm,
            "strength_sd": listening.place.strength_sd,
            "coherence_median": None
            if listening.transfer is None
            else float(
                sorted(listening.transfer.coherence)[listening.transfer.coherence.size // 2]
            ),
        }
        for role, listening in report.listening.items()
        if listening.place is not None
    }


def _calibration(silence: Levels, calibration: Calibration | None) -> dict[str, Any] | None:
    if calibration is None:
        return None
    floor_dbfs = rms_dbfs(max(silence.power(), 1e-20))
    a_dbfs = rms_dbfs(max(silence.power("a"), 1e-20))
    at_1k = round(1000 / silence.spectrum.bin_hz)
    return {
        "full_scale_v": calibration.full_scale_v,
        "from": calibration.words,
        "floor_dbu": floor_dbfs + calibration.dbu,
        "floor_dbv": floor_dbfs + calibration.dbv,
        "floor_a_dbu": a_dbfs + calibration.dbu,
        "hiss_at_1khz_nv_per_root_hz": 1e9
        * calibration.volts_squared(float(silence.split.hiss[at_1k - 40 : at_1k + 41].mean()))
        ** 0.5,
    }


def _source(source: ElectricalSource | None) -> dict[str, Any] | None:
    if source is None:
        return None
    import numpy as np

    return {
        "corner_hz": source.corner_hz,
        "cable_loss_db": source.cable_loss_db,
        "resonance_hz": source.resonance_hz,
        "thermal_uv": 1e6 * source.level_v(),
        "thermal_nv_per_root_hz_at_1khz": 1e9
        * float(np.sqrt(source.density_v2(np.array([1000.0]))[0])),
    }
