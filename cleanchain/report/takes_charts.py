"""What takes of one moment share, and what each holds alone, as charts."""

from __future__ import annotations

from collections.abc import Sequence

from cleanchain.measure.bands import band_words
from cleanchain.report.axes import UNKNOWN, plain, signed, typeset
from cleanchain.report.band_charts import (
    STYLES,
    Row,
    band_chart,
    band_curve,
    by_pair,
    folded,
    signed_or_unknown,
    span,
)
from cleanchain.report.elements import Chart


def own_noise_chart(rows: Sequence[Row]) -> Chart:
    """Return what each take holds that the others do not share."""
    takes: dict[str, list[Row]] = {}
    for row in rows:
        takes.setdefault(str(row["take"]), []).append(row)
    return band_chart(
        "own-noise",
        "Noise of its own in each take, by third octave",
        "What a take holds that the others do not share: its own noise, at most. Strokes hold the "
        "true level with 95 %; in bands without a mark it cannot be told.",
        "dBFS",
        [
            band_curve(take, STYLES[k % len(STYLES)], own, "level_dbfs", ("low_dbfs", "high_dbfs"))
            for k, (take, own) in enumerate(takes.items())
        ],
        folded(
            ["band", "take", "level, dBFS", "95 % interval"],
            [
                [
                    band_words(row["centre_hz"]),
                    str(row["take"]),
                    plain(row["level_dbfs"]),
                    span(row["low_dbfs"], row["high_dbfs"], plain),
                ]
                for row in rows
            ],
        ),
    )


def shared_chart(rows: Sequence[Row]) -> Chart:
    """Return what pairs of takes share over the rest."""
    known = [row for row in rows if row["snr_db"] is not None]
    return band_chart(
        "shared",
        "What the takes share, over the rest",
        "By third octave; hum that both pick up counts as shared. Strokes hold the true value with "
        "95 %.",
        "dB",
        [
            band_curve(pair, STYLES[k % len(STYLES)], own, "snr_db", ("snr_low_db", "snr_high_db"))
            for k, (pair, own) in enumerate(by_pair(known).items())
        ],
        folded(
            ["band", "pair", "coherence", "shared over the rest, dB", "95 % interval"],
            [
                [
                    band_words(row["centre_hz"]),
                    typeset(row["pair"]),
                    UNKNOWN if row["coherence"] is None else plain(row["coherence"], 4),
                    signed_or_unknown(row["snr_db"]),
                    span(row["snr_low_db"], row["snr_high_db"], signed),
                ]
                for row in rows
            ],
        ),
        zero=True,
    )
