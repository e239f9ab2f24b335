"""The page about builds, takes of one moment, or a take before and after a chain, side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from cleanchain.hearing_room import HearingRoom
from cleanchain.measure.bands import band_words
from cleanchain.measure.traces import Trace
from cleanchain.report.axes import plain, signed, typeset
from cleanchain.report.band_charts import by_pair
from cleanchain.report.check_parts import checks
from cleanchain.report.comparison_charts import comparison_charts
from cleanchain.report.elements import Element, Page, Points, Prose, Section
from cleanchain.report.ledger_parts import number_of
from cleanchain.report.versions import files_and_versions
from cleanchain.report.waves import CLEANING, NOISES, TOGETHER, hearing_of

_SUBTITLES = {
    "silence": "Builds, compared by their silence",
    "stimulus": "Builds, compared by what they hear above their own noise",
    "at-once": "Takes of one moment",
    "chain": "A take before and after a chain",
}
_WORDS = {
    "at-once": "The takes run side by side, moved to the same moment.",
    "chain": "Before, after and what was removed run side by side: choose between them while they "
    "play, the place stays. The gain of the chain is undone.",
}
_SIDE_BY_SIDE = (
    "At one common gain you hear how noisy each is; equally loud, what its noise is like."
)
_WAYS = {"at-once": TOGETHER, "chain": CLEANING}
#: Order of what is seen: what decides first.
_SEEN = ("snr", "differences", "octaves", "levels", "own-noise", "shared", "hum", "spectra")
#: A lag that is told as none, ms.
_AT_ONCE_MS = 0.005

#: A cost that is told as none, dB.
_LEAST_COST_DB = 0.05

Row = Mapping[str, Any]


def compare_page(
    title: str,
    data: Mapping[str, Any],
    traces: Mapping[str, Trace],
    room: HearingRoom,
    hashes: Mapping[str, str],
) -> Page:
    """Return the page about a comparison.

    Parameters
    ----------
    title : str
        Names of what is compared.
    data : dict
        The comparison as plain data.
    traces : mapping of str to Trace
        Spectra of what is compared, A first.
    room : HearingRoom
        The same, to be heard.
    hashes : mapping of str to str
        Hash of the samples of each file, by its name.
    """
    kind = str(data["kind"])
    charts: dict[str, Element] = {**comparison_charts(data, traces)}
    sections = [
        Section(
            "hear",
            "Hear them",
            [
                Prose([_WORDS.get(kind, _SIDE_BY_SIDE)]),
                hearing_of(room, _WAYS.get(kind, NOISES)),
            ],
        ),
        Section("see", "See them", [charts[name] for name in _SEEN if name in charts]),
        Section("how", "What this rests on", list(_how(data, hashes))),
    ]
    if "ledger" in charts:
        cost = Section("ledger", "What each stage took, and what that cost", [charts["ledger"]])
        sections.insert(1, cost)
    return Page(
        title,
        _SUBTITLES["stimulus" if data["snr_bands"] and kind == "silence" else kind],
        _lead(data),
        ["Start your monitors low: captures can differ much in level."],
        sections,
    )


def _lead(data: Mapping[str, Any]) -> str:
    verdict = typeset(data["verdict"])
    sentences = [verdict[0].upper() + verdict[1:] + "."]
    if data["kind"] in ("silence", "stimulus"):
        heard = [row for row in data["snr_bands"] if row.get("difference_db") is not None]
        for pair, rows in by_pair(heard).items():
            sentences.append(_differing(pair, rows, "signal-to-noise"))
        for pair, rows in by_pair(data["bands"]).items():
            sentences.append(_differing(pair, rows, "hiss"))
        for hum in data["hum"]:
            if hum["lines"] and hum["difference_db"] is not None:
                pair = typeset(hum["pair"])
                sentences.append(f"{pair}: the hum {signed(hum['difference_db'])} dB.")
    if data.get("pauses") and data["pauses"]["seconds"]:
        sentences.append(_pauses(data["pauses"]))
    for take in data.get("takes", ()):
        sentences.append(_alignment(take))
    if data.get("ledger"):
        sentences.append(_cost(data["ledger"]))
    return " ".join([one for one in [*sentences, _next(data)] if one])


def _pauses(pauses: Row) -> str:
    parts = [
        f"{name} {signed(pauses[f'{name}_db'])} dB"
        for name in ("hum", "hiss")
        if pauses[f"{name}_db"] is not None
    ]
    if pauses["hum_db"] is None and pauses["hum_at_most_db"] is not None:
        parts.insert(0, f"hum {signed(pauses['hum_at_most_db'])} dB or less")
    told = f": {', '.join(parts)}" if parts else ""
    return f"Nobody plays for {pauses['seconds']:.1f} s of it{told}."


def _cost(ledger: Row) -> str:
    total = ledger.get("total")
    numbers = total if isinstance(total, Mapping) else {}
    cost_db = number_of(numbers, "cost_db")
    if cost_db is None:
        return "What that cost the instrument is not known."
    if cost_db < _LEAST_COST_DB:
        return "No cost to the instrument was found."
    where = f" ({numbers['cost_where']})" if numbers.get("cost_where") else ""
    return f"The instrument lost at most {plain(cost_db)} dB of level{where}."


def _next(data: Mapping[str, Any]) -> str:
    """Say what to record or do next, in a sentence; empty where there is nothing to say."""
    if data["kind"] == "silence" and not any(
        row.get("difference_db") is not None for row in data["snr_bands"]
    ):
        return (
            "Which of them hears more is not known: next, play the same noise to each and give "
            "those captures too."
        )
    if data["kind"] == "at-once" and len(data["takes"]) == 1 and not data.get("own_noise"):
        return "Next, record a third build at once, or a silence of each, to learn their own noise."
    if data["kind"] == "chain" and not data.get("ledger"):
        return "What it cost the instrument stands in the ledger of the cleaning."
    return ""


def _differing(pair: str, rows: Sequence[Row], what: str) -> str:
    differing = [row for row in rows if row["differs"] and row["difference_db"] is not None]
    if not differing:
        return f"{pair}: in no third octave does the {what} differ beyond chance."
    most = max(differing, key=lambda row: abs(row["difference_db"]))
    where, by = band_words(most["centre_hz"]), signed(most["difference_db"])
    return (
        f"{pair}: the {what} differs in {len(differing)} of {len(rows)} third octaves beyond what "
        f"chance explains, most at {where} by {by} dB."
    )


def _alignment(take: Row) -> str:
    lie = take["alignment"]
    turned = "the same" if lie["polarity"] > 0 else "opposite"
    place = f"{abs(lie['lag_ms']):.2f} ms {'after' if lie['lag_ms'] > 0 else 'before'} A"
    if abs(lie["lag_ms"]) < _AT_ONCE_MS:
        place = "at the same moment as A"
    told = f"{take['take']} lies {place}, of {turned} polarity"
    if take["level_match_db"] is None:
        return f"{told}."
    return f"{told}; {signed(take['level_match_db'], 2)} dB bring it to the loudness of A."


def _how(data: Mapping[str, Any], hashes: Mapping[str, str]) -> Iterable[Element]:
    yield Points([typeset(reason) for reason in data["reasons"]])
    yield from checks(data.get("checks", ()))
    yield files_and_versions(hashes)
