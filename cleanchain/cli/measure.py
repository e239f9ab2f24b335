"""`cleanchain measure`: what a build adds, and what it hears."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cleanchain.cli.electrical import Component, KnownTone, Volts
from cleanchain.cli.options import PATH, check_page, force_option, json_option
from cleanchain.cli.output import console, print_json, working
from cleanchain.cli.plotting import check_plot, draw_figures, plot_options

if TYPE_CHECKING:
    from cleanchain.audio.files import FileSource
    from cleanchain.measure.build import BuildReport, Role
    from cleanchain.measure.calibration import Calibration
    from cleanchain.measure.thermal import ElectricalSource
    from cleanchain.report.paper import Drawing


@click.command("measure")
@click.option("--silence", type=PATH, required=True, help="The build, nobody playing.")
@click.option("--interface", type=PATH, help="The interface alone, its input closed.")
@click.option("--control", type=PATH, help="A dead control (dummy source), nobody playing.")
@click.option("--stimulus", type=PATH, help="The build hearing the stimulus.")
@click.option("--control-stimulus", type=PATH, help="The dead control hearing the stimulus.")
@click.option("--played", type=PATH, help="The stimulus as it was sent out.")
@click.option(
    "--channel", type=click.IntRange(1, 64), default=1, show_default=True, help="To measure."
)
@click.option("--calibrate", type=KnownTone(), help="A recorded tone and its rms level.")
@click.option("--full-scale", type=Volts(), help="Rms level of a sine at full scale.")
@click.option("--source-capacitance", type=Component("F", "15nF"), help="Of a ceramic element.")
@click.option(
    "--source-loss",
    type=click.FloatRange(0, 1),
    default=0.02,
    show_default=True,
    help="Loss tangent of a ceramic element.",
)
@click.option("--source-resistance", type=Component("ohm", "6kohm"), help="Of a coil.")
@click.option("--source-inductance", type=Component("H", "3H"), help="Of a coil.")
@click.option("--cable", type=Component("F", "500pF"), help="Capacitance of lead and input.")
@click.option("--load", type=Component("ohm", "1Mohm"), help="Input or bias resistance.")
@plot_options("measure")
@click.option(
    "--report", "page", type=PATH, metavar="FILE.html", help="Write one page to see and hear."
)
@force_option
@json_option
def command(
    silence: Path,
    interface: Path | None,
    control: Path | None,
    stimulus: Path | None,
    control_stimulus: Path | None,
    played: Path | None,
    channel: int,
    calibrate: tuple[Path, float] | None,
    full_scale: float | None,
    plot: Path | None,
    figure: str | None,
    plot_size: str,
    page: Path | None,
    force: bool,
    as_json: bool,
    **source_options: float | None,
) -> None:
    """Measure the floor of a build, what it is made of, and what the build hears.

    All captures at one gain, rate and place. Levels in dBFS: 0 dBFS is the rms of a full-scale
    sine. An unplugged input is no interface floor and no dead control: close it with a dummy
    source of the build's own value on the same lead.
    """
    from cleanchain.audio.files import open_source
    from cleanchain.budget import floor_budget
    from cleanchain.errors import SettingError
    from cleanchain.measure.build import measure_build
    from cleanchain.measure.calibration import Calibration
    from cleanchain.measure.calibration import calibrate as find_calibration
    from cleanchain.report.measure_data import as_data, words

    if calibrate and full_scale:
        raise SettingError(
            "--calibrate and --full-scale say the same thing twice", fix="Give one of them."
        )
    paths: dict[Role, Path | None] = {
        "silence": silence,
        "interface": interface,
        "control": control,
        "stimulus": stimulus,
        "control_stimulus": control_stimulus,
    }
    given = {role: path for role, path in paths.items() if path is not None}
    check_plot("measure", plot, figure, force, tuple(given.values()))
    if page is not None:
        check_page(page, force, tuple(given.values()))
    source = _source(source_options)
    with working("measuring", quiet=as_json):
        captures = {role: open_source(path) for role, path in given.items()}
        tone = open_source(played) if played is not None else None
        report = measure_build(captures, tone, channel - 1)
        calibration = None
        if calibrate:
            path, volts = calibrate
            calibration = find_calibration(open_source(path), volts, channel - 1)
        elif full_scale:
            calibration = Calibration(full_scale, "given as --full-scale")
        budget = floor_budget(report.silence, report.levels.get("interface"), source, calibration)
    names: dict[str, str] = {role: path.name for role, path in given.items()}
    data = as_data(report, names, budget, calibration, source)
    data["channel"] = channel
    for role, capture in captures.items():
        data["captures"][role]["channels"] = capture.channels
    if plot is not None:
        with working("drawing", quiet=as_json):
            drawings = _drawings(report, data, silence.name, source, calibration)
            draw_figures(drawings, plot, figure, plot_size)
    if page is not None:
        with working("writing the report", quiet=as_json):
            _write_page(report, data, words(report, budget), captures, channel - 1, page, force)
    if as_json:
        print_json(data)
    else:
        from cleanchain.cli.measure_table import print_build

        print_build(data, words(report, budget), console())


def _drawings(
    report: BuildReport,
    data: dict[str, Any],
    name: str,
    source: ElectricalSource | None,
    calibration: Calibration | None,
) -> dict[str, Drawing]:
    from cleanchain.report.build_charts import build_charts
    from cleanchain.report.drawing import drawing_of
    from cleanchain.report.measure_figures import build_drawing

    charts = build_charts(report, data)
    return {
        "floor": build_drawing(report, name, source, calibration),
        **{key: drawing_of(chart, name) for key, chart in charts.items()},
    }


def _write_page(
    report: BuildReport,
    data: dict[str, Any],
    told: list[str],
    captures: dict[Role, FileSource],
    channel: int,
    path: Path,
    force: bool,
) -> None:
    from cleanchain.audio.hashing import hash_samples
    from cleanchain.hearing_room import room_of_captures
    from cleanchain.report.build_charts import role_words
    from cleanchain.report.build_page import build_page
    from cleanchain.report.page import write_page

    room = room_of_captures(
        {role_words(role): source for role, source in captures.items()}, channel=channel
    )
    hashes = {source.path.name: hash_samples(source) for source in captures.values()}
    write_page(build_page(report, data, told, room, hashes), path, overwrite=force)


def _source(options: dict[str, Any]) -> ElectricalSource | None:
    """Build the network that the source options describe, None where there are none."""
    from cleanchain.errors import SettingError

    parts = ("source_capacitance", "source_resistance", "source_inductance")
    if not any(options[part] for part in parts):
        return None
    if not options["load"]:
        raise SettingError(
            "the source's noise depends on what it drives", fix="Add --load, such as --load 1Mohm."
        )
    from cleanchain.measure.thermal import ElectricalSource

    capacitance_f = options["source_capacitance"] or 0.0
    return ElectricalSource(
        load_ohm=options["load"],
        capacitance_f=capacitance_f,
        loss=options["source_loss"] if capacitance_f else 0.0,
        resistance_ohm=options["source_resistance"] or 0.0,
        inductance_h=options["source_inductance"] or 0.0,
        cable_f=options["cable"] or 0.0,
    )
