"""Charts that several pages show: spectra, spectrograms, a table of a spectrum's levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from cleanchain.measure.bands import band_words
from cleanchain.measure.spectrogram import Spectrogram
from cleanchain.measure.traces import Trace
from cleanchain.report.axes import UNKNOWN, Axis, plain
from cleanchain.report.elements import Chart, Curve, Maps, Picture, Style, Table

#: What a picture shows below the loudest place, dB.
_DEPTH_DB = 80.0
#: A full lowering is drawn in 1 / _CALM of full black, so that its picture does not shout.
_CALM = 2.0
_LEVEL = "level in 1 Hz, dB re full-scale sine"


def spectra(
    ident: str,
    title: str,
    words: str,
    traces: Mapping[str, Trace],
    styles: Mapping[str, Style],
    hum_hz: Sequence[float] = (),
) -> Chart:
    """Return a chart of spectra with their intervals, and their levels in a folded table.

    Parameters
    ----------
    ident, title, words : str
        See `Chart`.
    traces : mapping of str to Trace
        By name; the first one sets the range of frequencies.
    styles : mapping of str to Style
        By the same names.
    hum_hz : sequence of float, optional
        Hum lines, marked along the bottom.
    """
    first = next(iter(traces.values()))
    x = Axis("frequency, Hz", 20.0, float(first.frequency_hz[-1]), "frequency", "Hz", 0)
    high = max(float(trace.level_db.max()) for trace in traces.values())
    low = min(float(np.percentile(trace.level_db, 3)) for trace in traces.values())
    y = Axis(_LEVEL, 10 * np.floor(max(low - 4, high - 130) / 10), high + 6, "level", "dB")
    curves = [
        Curve(
            name,
            styles[name],
            np.maximum(trace.frequency_hz, x.low),
            trace.level_db.clip(y.low, None),
            trace.low_db.clip(y.low, None),
            trace.high_db.clip(y.low, None),
        )
        for name, trace in traces.items()
    ]
    return Chart(
        ident, title, words, x, y, curves, hum_hz, "hum lines", True, _octave_table(traces)
    )


def _octave_table(traces: Mapping[str, Trace]) -> Table:
    """Mean level in each third of an octave around its centre, for whoever reads numbers."""
    first = next(iter(traces.values())).frequency_hz
    rows = []
    for number in range(-17, 14):
        centre = 1000 * 10 ** (number / 10)
        if centre > first[-1]:
            break
        cells = [band_words(centre)]
        for trace in traces.values():
            inside = np.abs(np.log10(trace.frequency_hz / centre)) <= 0.05
            power = 10 ** (trace.level_db[inside] / 10)
            cells.append(plain(10 * np.log10(power.mean())) if inside.any() else UNKNOWN)
        rows.append(cells)
    return Table(
        "The same in numbers: mean level by third octave, dB",
        ["third octave", *traces],
        rows,
        folded=True,
    )


def spectrograms(
    ident: str,
    title: str,
    words: str,
    fields: Mapping[str, Spectrogram],
    lowered: Spectrogram | None = None,
    lowered_name: str = "",
    lowered_db: float = 12.0,
) -> Maps:
    """Return spectrograms on one scale, and beneath them by how much the gate lowered each place.

    Parameters
    ----------
    ident, title, words : str
        See `Maps`.
    fields : mapping of str to Spectrogram
        By name, all of the same shape.
    lowered : Spectrogram, optional
        Level changes in dB, below 0 where something was lowered.
    lowered_name : str, optional
        Its name.
    lowered_db : float, optional
        The largest change its scale shows, > 0.
    """
    first = next(iter(fields.values()))
    high = max(float(field.level_db.max()) for field in fields.values())
    pictures = [_picture(name, field, high - _DEPTH_DB, high) for name, field in fields.items()]
    if lowered is not None:
        turned = Spectrogram(-lowered.level_db, first.low_hz, first.high_hz, first.seconds)
        pictures.append(_picture(lowered_name, turned, 0.0, _CALM * lowered_db))
    x = Axis("time", 0.0, first.seconds, "time", "s", 2)
    y = Axis("Hz", first.low_hz, first.high_hz, "frequency", "Hz", 0)
    return Maps(ident, title, words, x, y, pictures)


def _picture(name: str, field: Spectrogram, low_db: float, high_db: float) -> Picture:
    part = (field.level_db - low_db) / (high_db - low_db)
    return Picture(name, np.rint(255 * part.clip(0, 1)).astype(np.uint8), low_db, high_db)
