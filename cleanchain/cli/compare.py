"""The command `cleanchain compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cleanchain.cli.comparison_shown import Shown, drawings, write_comparison
from cleanchain.cli.options import PATH, check_page, force_option, json_option
from cleanchain.cli.output import console, print_json, say, working
from cleanchain.cli.plotting import check_plot, draw_figures, plot_options

if TYPE_CHECKING:
    from cleanchain.audio.source import Source
    from cleanchain.compare.takes import TakesResult
    from cleanchain.measure.alignment import Alignment

#: What captures are called, in the order in which they are named.
_LETTERS = "ABCDEFGH"


@click.command("compare")
@click.argument("captures", nargs=-1, required=True, type=PATH)
@click.option("--silence-a", type=PATH, help="A's own silence, where A is a take or a stimulus.")
@click.option("--silence-b", type=PATH, help="B's own silence.")
@click.option("--stimulus-a", type=PATH, help="A hearing the stimulus, where A is a silence.")
@click.option("--stimulus-b", type=PATH, help="B hearing the same stimulus.")
@click.option(
    "--kind",
    type=click.Choice(["auto", "silence", "stimulus", "at-once", "chain"]),
    default="auto",
    show_default=True,
    help="Silence or stimulus captures, takes of one moment, or a take before and after a chain.",
)
@click.option(
    "--builds",
    type=click.IntRange(2, 8),
    help="How many builds the captures are of, in turn: 2 for A B A B. Of an even number from "
    "four on two builds are taken, else a build each.",
)
@click.option(
    "--channel", type=click.IntRange(1, 64), default=1, show_default=True, help="To compare."
)
@click.option("--ledger", type=PATH, help="What `clean --json` printed, to stand beside a chain.")
@plot_options("compare")
@click.option(
    "--align-out", type=PATH, metavar="DIR", help="Write takes of one moment aligned and matched."
)
@click.option(
    "--report", "page", type=PATH, metavar="FILE.html", help="Write one page to see and hear."
)
@force_option
@json_option
def command(
    captures: tuple[Path, ...],
    silence_a: Path | None,
    silence_b: Path | None,
    stimulus_a: Path | None,
    stimulus_b: Path | None,
    kind: str,
    builds: int | None,
    channel: int,
    ledger: Path | None,
    plot: Path | None,
    figure: str | None,
    plot_size: str,
    align_out: Path | None,
    page: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Compare build B with build A: `compare A B`, more builds `A B C`, repeats `A B A B`.

    Silence captures are compared band by band, with intervals; with --stimulus-a and --stimulus-b
    the verdict is on signal-to-noise, without them B is at most called quieter. Takes of one
    moment are aligned; one file of two or more channels holds such takes. A take after a chain is
    set against the take before it.
    """
    from cleanchain.audio.channels import hold, one_channel
    from cleanchain.audio.files import open_source
    from cleanchain.compare.kind import said, tell_kind
    from cleanchain.compare.sources import split_channels
    from cleanchain.errors import SettingError
    from cleanchain.measure.band_powers import check_alike

    _check_pairs(silence_a, silence_b, "silence")
    _check_pairs(stimulus_a, stimulus_b, "stimulus")
    if silence_a and stimulus_a:
        raise SettingError(
            "A and B are either silences with stimuli or takes with silences",
            fix="Name the silences as A and B, with --stimulus-a and --stimulus-b.",
        )
    extra = [path for path in (silence_a, silence_b, stimulus_a, stimulus_b, ledger) if path]
    check_plot("compare", plot, figure, force, [*captures, *extra])
    if page is not None:
        check_page(page, force, [*captures, *extra])
    sources: list[Source] = [open_source(path) for path in captures]
    paths = list(captures)
    if len(sources) == 1:
        sources = split_channels(sources[0])
        paths = [path for path in captures for _ in sources]
        kind = "at-once" if kind == "auto" else kind
    if not 2 <= len(sources) <= len(_LETTERS):
        raise SettingError(
            f"{len(sources)} capture{'s' if len(sources) > 1 else ''} cannot be compared",
            fix="Name two to eight files, or one file of two to eight channels.",
        )
    own = [open_source(path) for path in (silence_a, silence_b) if path]
    stimuli = [open_source(path) for path in (stimulus_a, stimulus_b) if path]
    check_alike([*sources, *own, *stimuli], 0 if len(captures) == 1 else channel - 1)
    names = [f"{_LETTERS[place]}: {path.name}" for place, path in enumerate(paths)]
    if len(captures) == 1:
        names = [f"{name}, channel {place + 1}" for place, name in enumerate(names)]
    with working("comparing", quiet=as_json):
        takes = [hold(one, channel - 1 if len(captures) > 1 else 0) for one in sources]
        told, places = "", None
        if kind == "auto":
            kind, told, places = tell_kind(takes, bool(own), bool(stimuli))
        told = told or said(kind)
        if len(captures) > 1:
            told += _channel_words([*sources, *own, *stimuli], channel)
        _check_fit(kind, len(takes), bool(own), bool(stimuli), ledger, align_out)
        if kind == "chain":
            data, shown = _chain(takes, ledger, told, names)
        elif kind == "at-once":
            silences = [one_channel(one, channel - 1) for one in own]
            data, shown, result = _takes(takes, silences, places, told, names)
        else:
            count = builds or (2 if len(takes) % 2 == 0 else len(takes))
            data, shown = _builds(takes, own, stimuli, count, channel - 1, kind, told, names)
    if align_out is not None:
        _write_aligned(result, paths, align_out, force)
    if plot is not None or page is not None:
        with working("measuring what is shown", quiet=as_json):
            traces = shown.traces()
    if plot is not None:
        with working("drawing", quiet=as_json):
            draw_figures(drawings(data, shown, traces), plot, figure, plot_size)
    if page is not None:
        with working("writing the report", quiet=as_json):
            heard = [path for path in extra if path != ledger]
            write_comparison(data, shown, traces, [*paths, *heard], page, force)
    if as_json:
        print_json(data)
    else:
        from cleanchain.cli.compare_table import print_comparison

        print_comparison(data, console())


def _channel_words(sources: list[Source], channel: int) -> str:
    """Say which channel was compared where there was a choice."""
    wide = [f"{one.name} ({one.channels})" for one in sources if one.channels > 1]
    if not wide:
        return ""
    return (
        f" Only channel {channel} is compared (--channel names another); more channels are in "
        f"{', '.join(wide)}."
    )


def _check_pairs(one: Path | None, other: Path | None, what: str) -> None:
    from cleanchain.errors import SettingError

    if (one is None) != (other is None):
        raise SettingError(
            f"a {what} of one build alone compares nothing",
            fix=f"Give both --{what}-a and --{what}-b.",
        )


def _check_fit(
    kind: str, count: int, own: bool, stimuli: bool, ledger: Path | None, align_out: Path | None
) -> None:
    """Refuse options that say nothing about this kind of comparison."""
    from cleanchain.errors import SettingError

    faults = {
        "takes of one moment are two to eight; only two of them have --silence-a and --silence-b": (
            kind == "at-once" and own and count != 2
        ),
        "a chain is compared by the take before and the take after alone": (
            kind == "chain" and (count != 2 or own or stimuli)
        ),
        "stimulus captures come in twos, each with its silence": (
            kind == "stimulus" and (count != 2 or not own)
        ),
        "silences of their own belong to takes or stimulus captures": (kind == "silence" and own),
        "stimulus captures belong to silence captures": (kind != "silence" and stimuli),
        "--ledger stands beside a chain only": (kind != "chain" and ledger is not None),
        "--align-out needs takes of one moment": (kind != "at-once" and align_out is not None),
    }
    for fault, here in faults.items():
        if here:
            raise SettingError(
                fault, fix=f"These were compared as {kind}; --kind says otherwise, see --help."
            )


def _chain(
    takes: list[Source], ledger: Path | None, told: str, names: list[str]
) -> tuple[dict[str, Any], Shown]:
    import json

    from cleanchain.compare.chain import compare_chain
    from cleanchain.compare.chain_data import chain_as_data, read_ledger
    from cleanchain.errors import InputError

    read = None
    if ledger is not None:
        try:
            read = read_ledger(json.loads(ledger.read_text(encoding="utf-8")), str(ledger))
        except (OSError, ValueError) as error:
            raise InputError(f"cannot be read ({error})", where=str(ledger)) from None
    result = compare_chain(takes[0], takes[1])
    heard = dict(zip(names, (result.before, result.after), strict=True))
    return chain_as_data(result, told, read), Shown(
        heard, {}, result.removed, dict.fromkeys(names, 0)
    )


def _takes(
    takes: list[Source],
    silences: list[Source],
    places: list[Alignment] | None,
    told: str,
    names: list[str],
) -> tuple[dict[str, Any], Shown, TakesResult]:
    from cleanchain.compare.takes import compare_takes
    from cleanchain.compare.takes_data import takes_as_data

    result = compare_takes(takes, silences, places)
    data = takes_as_data(result, takes[0].rate_hz, told)
    leads = [0, *(round(place.lag_frames) for place in result.places)]
    shown = Shown(
        dict(zip(names, takes, strict=True)),
        _beside(names, silences, "silent"),
        lead_frames=dict(zip(names, leads, strict=True)),
    )
    return data, shown, result


def _builds(
    takes: list[Source],
    own: list[Any],
    stimuli: list[Any],
    count: int,
    channel: int,
    kind: str,
    told: str,
    names: list[str],
) -> tuple[dict[str, Any], Shown]:
    from cleanchain.audio.channels import one_channel
    from cleanchain.compare.builds import Build, compare_builds
    from cleanchain.compare.words import builds_as_data
    from cleanchain.errors import SettingError

    if len(takes) % count or (stimuli and count != 2):
        raise SettingError(
            f"{len(takes)} captures are not those of {count} builds in turn",
            fix="Name as many captures of each: A B A B; stimuli belong to two builds.",
        )
    silences, heard = takes, [one_channel(one, channel) for one in stimuli]
    if kind == "stimulus":
        silences, heard = [one_channel(one, channel) for one in own], takes
    pair: list[Source | None] = [*heard] or [None] * count
    sets = [
        Build(_LETTERS[place], tuple(silences[place::count]), pair[place]) for place in range(count)
    ]
    if len(silences) > count:
        told += f" {count} builds in turn, {len(silences) // count} captures of each."
    data = builds_as_data(compare_builds(sets), kind, told)
    others, what = (silences, "silent") if kind == "stimulus" else (heard, "hearing the stimulus")
    shown = dict(zip(names, takes[:count], strict=False))
    return data, Shown(shown, _beside(names, others, what))


def _beside(names: list[str], others: list[Any], what: str) -> dict[str, Source]:
    """Name the captures that belong to those that are compared."""
    return {f"{name[0]}, {what}": other for name, other in zip(names, others, strict=False)}


def _write_aligned(result: TakesResult, paths: list[Path], folder: Path, force: bool) -> None:
    from cleanchain.compare.listening import listening_paths, write_listening

    targets = listening_paths(result.names, paths, folder, force)
    gain_db = write_listening(result.aligned, targets, force)
    for target in targets:
        say(f"wrote {target}")
    if gain_db < 0:
        say(f"All are {-gain_db:.1f} dB lower, so that none clips.")
    say("Start with the monitors turned down.")
