"""Pictures of comparisons: levels and differences with intervals, spectra before and after."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cleanchain.audio.writing import renamed_when_whole
from cleanchain.measure.spectrum import frame_for, measure_spectrum
from cleanchain.report.figures import Curve, draw_spectra

if TYPE_CHECKING:
    from cleanchain.compare.chain import ChainResult

#: Colours and marks of the pairs, told apart by all eyes (palette of Okabe and Ito).
_STYLES = (("#0072b2", "o"), ("#d55e00", "s"), ("#009e73", "^"), ("#cc79a7", "D"))
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)


def draw_comparison(data: dict[str, Any], path: Path) -> None:
    """Draw levels, where there are any, and differences with their intervals.

    Parameters
    ----------
    data : dict
        Plain data of compared builds or takes.
    path : Path
        Ends in .png or .svg.
    """
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot
    from matplotlib.ticker import FixedLocator, NullLocator

    rows = data["bands"]
    pairs = list(dict.fromkeys(row["pair"] for row in rows))
    snr = [row for row in data["snr_bands"] if row.get("difference_db") is not None]
    panels = ["levels"] * ("reference_dbfs" in rows[0]) + ["differences"] + ["snr"] * bool(snr)
    with pyplot.rc_context({"font.size": 11, "svg.fonttype": "none", "svg.hashsalt": "0"}):
        figure, axes = pyplot.subplots(
            len(panels), 1, figsize=(9, 1.4 + 3.1 * len(panels)), sharex=True, squeeze=False,
            layout="constrained",
        )  # fmt: skip
        for panel, axis in zip(panels, axes[:, 0], strict=True):
            if panel == "levels":
                _levels(axis, rows, pairs)
            elif panel == "snr":
                _bars(axis, snr, pairs, "signal-to-noise, B - A, dB")
            else:
                what = "level" if data["kind"] == "at-once" else "hiss"
                _bars(axis, rows, pairs, f"{what}, dB")
            axis.grid(alpha=0.25)
            axis.legend(frameon=False, ncols=2, fontsize=9)
        low = axes[-1, 0]
        low.set_xscale("log")
        highest = max(row["centre_hz"] for row in rows) * 1.15
        low.set_xlim(17, highest)
        ticks = [hz for hz in _TICKS_HZ if hz <= highest]
        low.xaxis.set_major_locator(FixedLocator(ticks))
        low.xaxis.set_minor_locator(NullLocator())
        low.set_xticklabels([f"{hz // 1000} k" if hz >= 1000 else str(hz) for hz in ticks])
        low.set_xlabel("frequency, Hz; filled: differs, over all bands together")
        axes[0, 0].set_title(data["verdict"], loc="left", fontsize=12)
        dated = {"Date": None} if path.suffix.lower() == ".svg" else {}
        with renamed_when_whole(path) as part:
            figure.savefig(part, dpi=150, format=path.suffix.lower()[1:], metadata=dated)
        pyplot.close(figure)


def _levels(axis: Any, rows: list[dict[str, Any]], pairs: list[str]) -> None:
    for place, pair in enumerate(pairs):
        own = [row for row in rows if row["pair"] == pair]
        centre = [row["centre_hz"] for row in own]
        drawn = [(pair[0], "level_dbfs", _STYLES[place % len(_STYLES)][0])]
        if place == 0:
            drawn.insert(0, (pair[-1], "reference_dbfs", "#7a7a7a"))
        for label, key, colour in drawn:
            level = np.array([row[key] for row in own], dtype=float)
            axis.plot(centre, level, color=colour, label=label, drawstyle="steps-mid")
    axis.set_ylabel("hiss in the band, dBFS")


def _bars(axis: Any, rows: list[dict[str, Any]], pairs: list[str], label: str) -> None:
    axis.axhline(0.0, color="black", linewidth=0.8)
    for place, (pair, (colour, mark)) in enumerate(zip(pairs, _STYLES * 2, strict=False)):
        own = [row for row in rows if row["pair"] == pair]
        if not own:
            continue
        centre = np.array([row["centre_hz"] for row in own]) * 1.03 ** (
            place - (len(pairs) - 1) / 2
        )
        value, low, high = (
            np.array([row[key] for row in own], dtype=float)
            for key in ("difference_db", "low_db", "high_db")
        )
        axis.errorbar(
            centre, value, yerr=(value - low, high - value), fmt="none", ecolor=colour,
            elinewidth=1.2, capsize=2,
        )  # fmt: skip
        differs = np.array([row["differs"] for row in own])
        axis.plot(centre, value, mark, color=colour, fillstyle="none", markersize=5, label=pair)
        axis.plot(centre[differs], value[differs], mark, color=colour, markersize=5)
    axis.set_ylabel(label)


def draw_chain(result: ChainResult, path: Path) -> None:
    """Draw the spectra of a take before and after a chain, and of what was removed."""
    curves = []
    parts = {"before": result.before, "after": result.after, "removed": result.removed}
    for label, source in parts.items():
        spectrum = measure_spectrum(source, frame_for(source.frames, source.rate_hz, 3.0))
        density = np.maximum(2 * spectrum.psd[0], 1e-24)
        curves.append(Curve(label, spectrum.frequency_hz, 10 * np.log10(density)))
    draw_spectra(curves, [], f"{result.before.name}, before and after", path)
