"""A measured build as its maker reads it, 80 columns wide."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cleanchain.cli.output import tell
from cleanchain.units import percent

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

#: Harmonics and lines that are listed.
_MOST_LINES = 8
#: What cannot be known without a capture, in words.
_UNKNOWN = {
    "mains_hz": "the mains frequency",
    "hum_dbfs": "the hum",
    "hiss_dbfs": "the hiss",
    "above_interface_db": "how far the floor lies over the interface",
    "usable_from_hz": "where it begins to hear",
    "hears_more_than_control": "whether it hears what a dead control does not",
    "stimulus_heard": "what it hears",
}


def print_build(data: dict[str, Any], words: list[str], screen: Console) -> None:
    """Print levels, bands, checks that failed, and what it all means."""
    from rich.table import Table

    silence = data["captures"]["silence"]
    part = ""
    if silence["channels"] > 1:
        part = f"channel {data['channel']} of {silence['channels']} (--channel), "
    tell(screen, f"{silence['name']}, {part}{silence['seconds']:.1f} s measured")
    tell(screen, data["convention"])
    rows = [
        ("floor", data["floor_dbfs"], ""),
        ("floor, A-weighted", data["floor_a_dbfs"], ""),
        ("floor, CCIR-RMS", data["floor_ccir_rms_dbfs"], ""),
        ("hum", data["hum_dbfs"], _hum_words(data)),
        ("hiss", data["hiss_dbfs"], ""),
    ]
    if data["calibration"]:
        calibration = data["calibration"]
        rows[0] = (*rows[0][:2], f"{calibration['floor_dbu']:.1f} dBu")
        rows[1] = (*rows[1][:2], f"{calibration['floor_a_dbu']:.1f} dBu(A)")
        density = calibration["hiss_at_1khz_nv_per_root_hz"]
        rows[4] = (*rows[4][:2], f"{_volts(density)} per root Hz at 1 kHz")
    levels = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    levels.add_column()
    levels.add_column(justify="right")
    levels.add_column()
    for name, level, remark in rows:
        missing = "not known" if f"{name}_dbfs" in data["reasons"] else "none found"
        levels.add_row(name, missing if level is None else f"{level:.1f} dBFS", remark)
    screen.print(levels)
    _print_lines(data, screen)
    screen.print(_bands(data["bands"]))
    failed: dict[str, list[str]] = {}
    for check in data["checks"]:
        if check["passed"] is False:
            failed.setdefault(check["words"], []).append(check["capture"].replace("_", " "))
    for told, roles in failed.items():
        tell(screen, f"Check {', '.join(roles)}: {told}.")
    for role, place in data["played"].items():
        if place["found"]:
            lag_s, apart_ppm = round(place["lag_s"], 3) + 0.0, abs(place["clock_drift_ppm"])
            name = role.replace("_", " ")
            tell(
                screen,
                f"The noise begins {lag_s:.3f} s into the {name} capture; clocks differ by "
                f"{apart_ppm:.1f} ppm.",
            )
    for line in words:
        tell(screen, line)
    for place, guess in enumerate(data["hum_path"][:2], start=1):
        tell(screen, f"Hum, guess {place}: consistent with {guess['path']}: {guess['evidence']}.")
        tell(screen, f"Test: {guess['next_test']}", indent="  ")
    for caution in data["cautions"] if data["hum_path"] else ():
        tell(screen, caution)
    for name, why in data["reasons"].items():
        if name == "control_stimulus_heard":  # as it should be
            tell(screen, f"Dead control, as it should be: {why}.")
            continue
        tell(screen, f"Not known: {_UNKNOWN.get(name, name.replace('_', ' '))}; {why}.")


def _hum_words(data: dict[str, Any]) -> str:
    if data["mains_hz"] is None:
        return ""
    return f"mains {data['mains_hz']:.3f} Hz, {percent(data['hum_share'])} of the floor's power"


def _print_lines(data: dict[str, Any], screen: Console) -> None:
    for title, lines in (("harmonics", data["harmonics"]), ("other lines", data["other_lines"])):
        if not lines:
            continue
        loudest = sorted(lines, key=lambda line: -line["level_dbfs"])[:_MOST_LINES]
        told = ", ".join(
            f"{line['frequency_hz']:.0f} Hz {line['level_dbfs']:.1f}"
            + (f" +-{2 * line['sd_db']:.1f}" if line["sd_db"] >= 0.05 else "")
            for line in sorted(loudest, key=lambda line: line["frequency_hz"])
        )
        more = f" and {len(lines) - _MOST_LINES} more" if len(lines) > _MOST_LINES else ""
        tell(screen, f"{title}, dBFS: {told}{more}")


def _bands(bands: list[dict[str, Any]]) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    columns: dict[str, list[str]] = {
        "band\nHz": [_name(row["name_hz"]) for row in bands],
        "floor\ndBFS": [_number(row["floor_dbfs"]) for row in bands],
        "95 %\ninterval": [
            f"{_number(row['low_db'])} to {_number(row['high_db'])}" for row in bands
        ],
        "over\ninterface": [_number(row["above_interface_db"], sign=True) for row in bands],
        "heard\nover floor": [_heard(row, "stimulus_to_floor") for row in bands],
        "leak\nover floor": [_heard(row, "leak_to_floor") for row in bands],
    }
    shown = {name: cells for name, cells in columns.items() if any(cell != "-" for cell in cells)}
    for name in shown:
        table.add_column(name, justify="right")
    for cells in zip(*shown.values(), strict=True):
        table.add_row(*cells)
    return table


def _volts(nanovolts: float) -> str:
    return f"{nanovolts:.3g} nV" if nanovolts < 1000 else f"{nanovolts / 1000:.3g} µV"


def _name(hz: float) -> str:
    return f"{hz:g}" if hz < 1000 else f"{hz / 1000:g} k"


def _number(value: float | None, sign: bool = False) -> str:
    return "-" if value is None else f"{value:{'+' if sign else ''}.1f}"


def _heard(row: dict[str, Any], name: str) -> str:
    if row[f"{name}_db"] is not None:
        return f"{row[f'{name}_db']:+.1f}"
    below = row[f"{name}_below_db"]
    return "-" if below is None else f"under {below:+.1f}"
