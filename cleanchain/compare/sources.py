"""Every channel of a source as a source of its own."""

from __future__ import annotations

from cleanchain.audio.channels import OneChannel
from cleanchain.audio.source import Source


def split_channels(source: Source) -> list[Source]:
    """Return every channel of a source as a source of its own."""
    return [
        OneChannel(source, channel, f"{source.name}, channel {channel + 1}")
        for channel in range(source.channels)
    ]
