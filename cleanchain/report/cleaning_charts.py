"""What a page, or a figure for elsewhere, shows of a cleaning."""

from __future__ import annotations

from collections.abc import Iterable

from cleanchain.cleaning import Cleaning
from cleanchain.exhibits import Exhibits, MainsTrack
from cleanchain.measure.bands import band_words
from cleanchain.measure.cells import PARTS, Cell
from cleanchain.report.axes import UNKNOWN, Axis, plain
from cleanchain.report.charts import spectra, spectrograms
from cleanchain.report.elements import Bar, Chart, Curve, Maps, Style, Table
from cleanchain.report.hum_parts import lines_table
from cleanchain.units import format_time

_STYLES: dict[str, Style] = {
    "before": "before",
    "after": "after",
    "removed": "removed",
    "noise floor": "floor",
}
#: What the gate's picture reaches to where no depth is known, dB.
_DEPTH_DB = 12.0


def cleaning_charts(cleaning: Cleaning, exhibits: Exhibits) -> dict[str, Chart | Maps | Table]:
    """Return charts and tables by name: what of the `FIGURES` of `clean` there is.

    Parameters
    ----------
    cleaning : Cleaning
        Planned and accounted for.
    exhibits : Exhibits
        What was measured to be shown.
    """
    lines = exhibits.floor.split.harmonics if exhibits.floor is not None else ()
    hum_hz = [line.frequency_hz for line in lines] or [
        row["hz"] for plan in cleaning.plan.plans for row in plan.findings.get("harmonics", [])
    ]
    shown: dict[str, Chart | Maps | Table] = {
        "spectra": spectra(
            "spectra",
            "Spectra before and after",
            "Over the whole take. The bands around the curves hold the true level with 95 % where "
            "the sound is steady; notes along the top are As.",
            exhibits.traces,
            _STYLES,
            hum_hz,
        ),
        "spectrograms": _by_time(cleaning, exhibits),
    }
    if cleaning.ledger.total.where:
        shown["ledger"] = _octaves(cleaning.ledger.total.where)
    if lines:
        shown["hum"] = lines_table("Lines of the mains in the silence, as recorded", lines)
    if exhibits.mains is not None:
        shown["mains"] = _track(exhibits.mains, exhibits.before.seconds)
    return shown


def _by_time(cleaning: Cleaning, exhibits: Exhibits) -> Maps:
    depths_db = [
        float(plan.stage.settings().get("depth_db", 0.0))
        for plan in cleaning.plan.plans
        if plan.stage.name == "gate"
    ]
    words = "Level in 1 Hz, dB re full-scale sine."
    if exhibits.gate_db is not None:
        words += " The last picture shows by how much the gate lowered each place."
    return spectrograms(
        "spectrograms",
        "Before and after, by time and frequency",
        words,
        {"before": exhibits.before, "after": exhibits.after},
        exhibits.gate_db,
        "lowered by the gate",
        max(depths_db, default=0.0) or _DEPTH_DB,
    )


def _octaves(cells: Iterable[Cell]) -> Table:
    """Per octave what the noise lost beside what attacks, body and tails lost, with bars."""
    by_octave: dict[float, dict[str, Cell]] = {}
    for cell in cells:
        by_octave.setdefault(cell.octave_hz, {})[cell.part] = cell
    fell = [
        max((cell.noise_removed_db or 0.0 for cell in row.values()), default=0.0)
        for row in by_octave.values()
    ]
    longest = max([1.0, *fell])
    rows = []
    for (octave, row), noise_db in zip(by_octave.items(), fell, strict=True):
        known = any(cell.noise_removed_db is not None for cell in row.values())
        bars: list[str | Bar] = [
            band_words(octave),
            _bar(noise_db if known else None, longest, "removed"),
        ]
        for part in PARTS:
            bars.append(_bar(row[part].signal_lost_db if part in row else None, longest, "after"))
        rows.append(bars)
    return Table(
        "What each octave lost in the whole chain, dB",
        ["octave", "noise lost", "attacks lost", "body lost", "tails lost"],
        rows,
        about="What the noise lost at most, and beside it, on the same scale, what the instrument "
        "lost in its attacks, while notes sound, and in their tails; a dash where it does not "
        "stand 6 dB above the noise.",
    )


def _bar(value: float | None, longest: float, style: Style) -> str | Bar:
    if value is None:
        return UNKNOWN
    return Bar(plain(value), min(100 * max(value, 0.0) / longest, 100.0), style)


def _track(mains: MainsTrack, seconds: float) -> Chart:
    low, high = float(mains.frequency_hz.min()), float(mains.frequency_hz.max())
    margin = max(0.15 * (high - low), 0.005)
    step = max(mains.time_s.size // 20, 1)
    pairs = zip(mains.time_s[::step].tolist(), mains.frequency_hz[::step].tolist(), strict=True)
    return Chart(
        "mains",
        "The mains through the take",
        "Frequency read over two seconds around each time. Where notes drown the hum it is "
        "carried on between the places where it is heard.",
        Axis("time", 0.0, seconds, "time", "s", 1),
        Axis("Hz", low - margin, high + margin, "level", "Hz", 3),
        [Curve("mains", "before", mains.time_s, mains.frequency_hz)],
        table=Table(
            "The same in numbers",
            ["time", "Hz"],
            [[format_time(time), f"{hz:.4f}"] for time, hz in pairs],
            folded=True,
        ),
    )
