"""The picture of a cleaning: spectra before and after, what was removed, the noise floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.writing import renamed_when_whole

Reals = NDArray[np.float64]

#: Blue, vermilion, green and grey of the palette of Okabe and Ito, told apart by all eyes; the
#: lines differ in width and dashes too.
_STYLES: dict[str, dict[str, Any]] = {
    "before": {"color": "#0072b2", "linewidth": 2.6, "alpha": 0.55},
    "after": {"color": "#d55e00", "linewidth": 1.2},
    "removed": {"color": "#009e73", "linewidth": 1.0, "linestyle": (0, (4, 2))},
    "noise floor": {"color": "#7a7a7a", "linewidth": 1.2, "linestyle": (0, (1, 1.2))},
}
_NOTES_HZ = {f"A{octave}": 27.5 * 2**octave for octave in range(10)}
_LOWEST_HZ, _HIGHEST_HZ = 20.0, 20_000.0


@dataclass(frozen=True, eq=False)
class Curve:
    """A spectral density to draw.

    Parameters
    ----------
    label : str
        A key of the styles above.
    frequency_hz, level_db : ndarray of shape (bins,)
        Level in dB relative to the rms of a full-scale sine, in a band of 1 Hz.
    """

    label: str
    frequency_hz: Reals
    level_db: Reals


def draw_spectra(curves: Sequence[Curve], hum_hz: Sequence[float], title: str, path: Path) -> None:
    """Draw spectra over frequency into a picture file.

    Parameters
    ----------
    curves : sequence of Curve
        Drawn in order.
    hum_hz : sequence of float
        Frequencies of hum lines, marked along the bottom.
    title : str
        Heading.
    path : Path
        Ends in .png or .svg.
    """
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot
    from matplotlib.ticker import FixedLocator, NullLocator

    with pyplot.rc_context({"font.size": 11, "svg.fonttype": "none"}):
        figure, axes = pyplot.subplots(figsize=(9, 5.4), layout="constrained")
        for curve in curves:
            frequency_hz, level_db = _thinned(curve)
            axes.plot(frequency_hz, level_db, label=curve.label, **_STYLES[curve.label])
        axes.set_xscale("log")
        highest = min(_HIGHEST_HZ, float(curves[0].frequency_hz[-1]))
        axes.set_xlim(_LOWEST_HZ, highest)
        ticks = [
            hz for hz in (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000) if hz <= highest
        ]
        axes.xaxis.set_major_locator(FixedLocator(ticks))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.set_xticklabels([f"{hz // 1000} k" if hz >= 1000 else str(hz) for hz in ticks])
        axes.set_xlabel("frequency, Hz")
        axes.set_ylabel("level in 1 Hz, dB re full-scale sine")
        low, high = _limits(curves)
        axes.set_ylim(low, high)
        if hum_hz:
            axes.plot(
                hum_hz,
                [low + 1.5] * len(hum_hz),
                "^",
                color="black",
                markersize=5,
                label="hum lines",
                clip_on=False,
            )
        notes = axes.secondary_xaxis("top")
        shown = {name: hz for name, hz in _NOTES_HZ.items() if _LOWEST_HZ < hz < highest}
        notes.xaxis.set_major_locator(FixedLocator(list(shown.values())))
        notes.xaxis.set_minor_locator(NullLocator())
        notes.set_xticklabels(list(shown))
        axes.grid(alpha=0.25)
        axes.legend(loc="upper right", frameon=False, ncols=2)
        axes.set_title(title, loc="left", fontsize=12)
        with renamed_when_whole(path) as part:
            figure.savefig(part, dpi=150, format=path.suffix.lower()[1:], metadata=_undated(path))
        pyplot.close(figure)


def _undated(path: Path) -> dict[str, None]:
    """Leave the date out, so that the same numbers make the same file."""
    return {"Date": None} if path.suffix.lower() == ".svg" else {}


def _thinned(curve: Curve) -> tuple[Reals, Reals]:
    """Average the power in bands of a 48th of an octave, wherever several bins fall in one."""
    inside = (curve.frequency_hz >= _LOWEST_HZ) & (curve.frequency_hz <= _HIGHEST_HZ)
    frequency_hz, power = curve.frequency_hz[inside], 10 ** (curve.level_db[inside] / 10)
    band = np.floor(48 * np.log2(frequency_hz)).astype(int)
    starts = np.flatnonzero(np.diff(band, prepend=band[0] - 1))
    counts = np.diff(np.append(starts, band.size))
    mean_hz: Reals = np.add.reduceat(frequency_hz, starts) / counts
    return mean_hz, 10 * np.log10(np.add.reduceat(power, starts) / counts)


def _limits(curves: Sequence[Curve]) -> tuple[float, float]:
    """Lowest and highest level to show: all of the loudest, and some below the quietest."""
    shown = [_thinned(curve)[1] for curve in curves]
    high = max(float(level.max()) for level in shown)
    low = min(float(np.percentile(level, 3)) for level in shown)
    return max(low - 6.0, high - 140.0), high + 6.0
