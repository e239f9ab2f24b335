"""A comparison as its reader sees it, 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from cleanchain.cli.output import tell
from cleanchain.measure.bands import centre_name

if TYPE_CHECKING:
    from rich.console import Console

#: Hum lines that are listed.
_MOST_LINES = 8


def print_comparison(data: dict[str, Any], screen: Console) -> None:
    """Print bands, hum, signal-to-noise, alignment, reasons and, last, the verdict."""
    reasons = data["reasons"]
    tell(screen, reasons[0])
    if data["kind"] == "chain":
        _print_chain(data, screen)
    else:
        for pair in dict.fromkeys(row["pair"] for row in data["bands"]):
            _print_pair(data, pair, screen)
    _print_takes(data, screen)
    for reason in reasons[1:]:
        tell(screen, f"- {reason}")
    tell(screen, f"Verdict: {data['verdict']}.", style="bold")


def _print_pair(data: dict[str, Any], pair: str, screen: Console) -> None:
    from rich.text import Text

    rows = [row for row in data["bands"] if row["pair"] == pair]
    what = "level" if data["kind"] == "at-once" else "hiss"
    screen.print(Text(f"\n{pair}, {what} in third octaves", style="bold"))
    _table(
        screen,
        ("band Hz", "dB", "95 % interval", "differs"),
        [(centre_name(row["centre_hz"]), *_difference(row)) for row in rows],
    )
    wide = [row for row in data.get("octaves", []) if row["pair"] == pair and row["alone"]]
    if wide:
        screen.print(Text(f"{pair}, octaves that differ as a whole", style="bold"))
        _table(
            screen,
            ("octave around Hz", "dB", "95 % interval"),
            [(centre_name(row["centre_hz"]), *_difference(row)[:2]) for row in wide],
        )
    for hum in data.get("hum", []):
        if hum["pair"] == pair and hum["lines"]:
            _print_hum(hum, screen)
    _print_snr(data, pair, screen)


def _difference(row: dict[str, Any]) -> tuple[str, str, str]:
    value, low, high = (row[key] for key in ("difference_db", "low_db", "high_db"))
    digits = 2 if value is not None and abs(high - low) < 0.2 else 1
    return (
        _signed(value, digits),
        "-" if low is None else f"{_signed(low, digits)} to {_signed(high, digits)}",
        "yes" if row["differs"] else "",
    )


def _print_hum(hum: dict[str, Any], screen: Console) -> None:
    from rich.text import Text

    told = "hum is as strong in both as can be told"
    if hum["difference_db"] is not None:
        span = f"{_signed(hum['low_db'])} to {_signed(hum['high_db'])}"
        told = f"hum {_signed(hum['difference_db'])} dB ({span})"
    elif hum["high_db"] is not None:
        told = f"hum lower by {-hum['high_db']:.1f} dB at least"
    elif hum["low_db"] is not None:
        told = f"hum higher by {hum['low_db']:.1f} dB at least"
    mark = ", differs" if hum["differs"] else ""
    screen.print(Text(f"{hum['pair']}, {told}{mark}; mains {hum['mains_hz']:.2f} Hz", style="bold"))
    lines = sorted(
        hum["lines"], key=lambda line: -max(_or(line["reference_dbfs"]), _or(line["level_dbfs"]))
    )[:_MOST_LINES]
    _table(
        screen,
        ("harmonic", f"{hum['pair'][-1]}, dBFS", f"{hum['pair'][0]}, dBFS"),
        [
            (
                str(line["harmonic"]),
                _level(line["reference_dbfs"], line["reference_sd_db"]),
                _level(line["level_dbfs"], line["level_sd_db"]),
            )
            for line in sorted(lines, key=lambda line: line["harmonic"])
        ],
    )


def _or(value: float | None) -> float:
    return -400.0 if value is None else value


def _level(value: float | None, sd: float | None) -> str:
    return "none found" if value is None or sd is None else f"{value:.1f} ±{1.96 * sd:.1f}"


def _print_snr(data: dict[str, Any], pair: str, screen: Console) -> None:
    from rich.text import Text

    rows = [row for row in data["snr_bands"] if row["pair"] == pair]
    shared = [row for row in rows if row.get("snr_db") is not None]
    if shared:
        screen.print(Text(f"{pair}, what both share over the rest", style="bold"))
        _table(
            screen,
            ("band Hz", "coherence", "dB", "95 % interval"),
            [
                (
                    centre_name(row["centre_hz"]),
                    f"{row['coherence']:.4f}",
                    _signed(row["snr_db"]),
                    f"{_signed(row['snr_low_db'])} to {_signed(row['snr_high_db'])}",
                )
                for row in shared
            ],
        )
    split = [row for row in rows if row.get("more_sensitive_db") is not None]
    if split:
        screen.print(Text(f"{pair}, signal-to-noise (hum is noise)", style="bold"))
        _table(
            screen,
            ("band Hz", "dB", "95 % interval", "differs", "more sensitive by", "quieter by"),
            [
                (
                    centre_name(row["centre_hz"]),
                    *_difference(row),
                    _part(row, "more_sensitive"),
                    _part(row, "quieter"),
                )
                for row in split
            ],
        )


def _part(row: dict[str, Any], name: str) -> str:
    reach = (row[f"{name}_high_db"] - row[f"{name}_low_db"]) / 2
    return f"{_signed(row[f'{name}_db'])} ±{reach:.1f}"


def _print_takes(data: dict[str, Any], screen: Console) -> None:
    from rich.text import Text

    for take in data.get("takes", []):
        place = take["alignment"]
        side = "upright" if place["polarity"] > 0 else "upside down"
        screen.print(
            Text(
                f"{take['take']} lies {place['lag_frames']:+.2f} frames ({place['lag_ms']:+.3f} ms)"
                f" against A, {side}, clock {place['drift_ppm']:+.2f} ppm"
            )
        )
        if take["level_match_db"] is not None:
            residue = take["level_residue_db"]
            left = "" if residue is None else f", {residue:+.2f} dB left over"
            screen.print(Text(f"  to A's loudness: {take['level_match_db']:+.2f} dB{left}"))
    noise = [row for row in data.get("own_noise", []) if row["level_dbfs"] is not None]
    if noise:
        screen.print(Text("own noise by what the takes do not share", style="bold"))
        _table(
            screen,
            ("take", "band Hz", "dBFS", "95 % interval"),
            [
                (
                    row["take"],
                    centre_name(row["centre_hz"]),
                    f"{row['level_dbfs']:.1f}",
                    f"{row['low_dbfs']:.1f} to {row['high_dbfs']:.1f}",
                )
                for row in noise
            ],
        )


def _print_chain(data: dict[str, Any], screen: Console) -> None:
    from rich.text import Text

    _table(
        screen,
        ("band Hz", "before, dBFS", "after", "change dB", "removed, dBFS"),
        [
            (
                centre_name(row["centre_hz"]),
                f"{row['reference_dbfs']:.1f}",
                f"{row['level_dbfs']:.1f}",
                _signed(row["difference_db"]),
                f"{row['removed_dbfs']:.1f}" if row["removed_dbfs"] > -190 else "nothing",
            )
            for row in data["bands"]
        ],
    )
    screen.print(Text(f"gain of the chain: {data['gain_db']:+.2f} dB"))
    pauses = data["pauses"]
    if pauses["noise_db"] is not None:
        parts = [
            f"{name} {_signed(pauses[f'{name}_db'])} dB"
            for name in ("noise", "hum", "hiss")
            if pauses[f"{name}_db"] is not None
        ]
        if pauses["hum_db"] is None and pauses["hum_at_most_db"] is not None:
            parts.append(f"hum {_signed(pauses['hum_at_most_db'])} dB or less")
        screen.print(Text(f"in {pauses['seconds']:.1f} s of pauses: {', '.join(parts)}"))
    if data["ledger"]:
        _print_ledger(data["ledger"], screen)


def _print_ledger(ledger: dict[str, Any], screen: Console) -> None:
    from rich.text import Text

    screen.print(Text(f"ledger of {ledger.get('take', 'the take')}", style="bold"))
    names = ("noise_removed_db", "signal_lost_db", "signal_error_db", "cost_db")
    rows = [
        (str(stage.get("stage", "?")), stage)
        for stage in ledger["stages"]
        if isinstance(stage, dict)
    ]
    if isinstance(ledger.get("total"), dict):
        rows.append(("all", ledger["total"]))
    _table(
        screen,
        ("stage", "noise removed", "signal lost", "damage", "largest cost, dB"),
        [(name, *(_number(row.get(key)) for key in names)) for name, row in rows],
    )


def _table(screen: Console, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for place, heading in enumerate(headings):
        table.add_column(heading, justify="left" if place == 0 else "right")
    for row in rows:
        table.add_row(*row)
    screen.print(table)


def _signed(value: float | None, digits: int = 1) -> str:
    if value is None:
        return "-"
    rounded = round(value, digits) + 0.0
    return f"{rounded:+.{digits}f}" if rounded else f"{0:.{digits}f}"


def _number(value: Any) -> str:
    return f"{value:.1f}" if isinstance(value, int | float) else "-"
