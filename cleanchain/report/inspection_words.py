"""What an inspection found, in words."""

from __future__ import annotations

from cleanchain.measure.inspection import (
    NEARLY_DEAD_DB,
    NOTABLE_DC,
    ChannelFindings,
    Inspection,
)
from cleanchain.units import format_time

_MOST_TIMES = 5


def describe(inspection: Inspection) -> list[str]:
    """Return one line for the file and its samples."""
    source = inspection.source
    bits = "" if source.bits is None else f", {source.bits} bit"
    kind = "float" if source.bits is None else "PCM"
    lines = [
        f"{source.path}: {source.container} {kind}{bits}, {source.rate_hz} Hz, "
        f"{source.channels} channel(s), {format_time(source.frames / source.rate_hz)}",
        f"samples: {inspection.sample_hash}",
    ]
    for channel in inspection.channels:
        if channel.peak_dbfs is not None and channel.level_dbfs is not None:
            lines.append(
                f"channel {channel.channel}: peak {channel.peak_dbfs:.1f} dBFS, "
                f"level {channel.level_dbfs:.1f} dBFS"
            )
    return lines


def findings(inspection: Inspection) -> list[str]:
    """Return one line for each thing that a user should know before cleaning."""
    lines = [f"file: {notice}" for notice in inspection.source.notices]
    lines += of_channels(inspection)
    for number, what in inspection.like_first.items():
        lines.append(f"channel {number} is channel 1 again: {what}")
    if inspection.silent_s:
        first = ", ".join(
            f"{format_time(a)}-{format_time(b)}"
            for a, b in inspection.silent_stretches_s[:_MOST_TIMES]
        )
        more = ", ..." if len(inspection.silent_stretches_s) > _MOST_TIMES else ""
        lines.append(f"{inspection.silent_s:.2f} s are digital silence: {first}{more}")
    bits, used = inspection.source.bits, inspection.bits_used
    if bits is not None and used is not None and 0 < used < bits:
        lines.append(f"only {used} of {bits} bits are used: converted from a coarser file?")
    if inspection.steep_cut_hz is not None:
        lines.append(
            f"the content ends steeply at {inspection.steep_cut_hz / 1000:.1f} kHz: lossy coding "
            "or another sampling rate stands in its past; do not measure on it"
        )
    return lines


def of_channels(inspection: Inspection) -> list[str]:
    """Return one line for each thing found in one of the channels."""
    loudest = max(
        (c.level_dbfs for c in inspection.channels if c.level_dbfs is not None), default=0
    )
    return [
        f"channel {channel.channel} {words}"
        for channel in inspection.channels
        for words in _of_channel(channel, loudest)
    ]


def _of_channel(channel: ChannelFindings, loudest_dbfs: float) -> list[str]:
    lines = []
    if channel.not_finite and channel.first_not_finite_s is not None:
        lines.append(
            f"holds {channel.not_finite} sample(s) that are no numbers, the first at "
            f"{format_time(channel.first_not_finite_s)}"
        )
    if channel.constant:
        lines.append("is dead: every sample is the same")
    elif channel.level_dbfs is not None and channel.level_dbfs < loudest_dbfs - NEARLY_DEAD_DB:
        lines.append(
            f"is nearly dead: {loudest_dbfs - channel.level_dbfs:.0f} dB below the loudest"
        )
    if abs(channel.dc) > NOTABLE_DC and not channel.constant:
        lines.append(
            f"has an offset of {100 * channel.dc:+.1f} % of full scale; a high-pass removes it"
        )
    if channel.over_full_scale:
        lines.append(f"passes full scale in {channel.over_full_scale} sample(s)")
    clipping = channel.clipping
    if clipping.runs:
        times = ", ".join(format_time(time) for time in clipping.times_s[:_MOST_TIMES])
        more = ", ..." if clipping.runs > _MOST_TIMES else ""
        where = (
            "" if clipping.ceiling >= 0.999 else f" at {100 * clipping.ceiling:.0f} % of full scale"
        )
        lines.append(f"is clipped{where} in {clipping.runs} place(s): {times}{more}")
    return lines
