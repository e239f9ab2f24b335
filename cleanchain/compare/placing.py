"""Where takes of one moment lie against the first of them, and all of them on its clock."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cleanchain.audio.source import Source
from cleanchain.errors import InputError
from cleanchain.measure.alignment import Alignment, align
from cleanchain.measure.moved import Moved

#: Seconds that are looked at for the alignment, and the shortest overlap.
LOOK_S, LEAST_S = 30.0, 4.0
#: Drift below which takes are on one clock, ppm, and a lag that is none, frames.
_ONE_CLOCK_PPM, _NO_LAG = 0.02, 0.01
#: Lag that may be left at the far end of a take for its clock to be refined by it, s.
_MOST_LEFT = 0.005


def place_of(a: Source, b: Source) -> Alignment:
    """Find where one take lies against another, by the loudest half minute of the first."""
    frames = min(a.frames, b.frames)
    look = min(frames, int(LOOK_S * a.rate_hz))
    if look < LEAST_S * a.rate_hz:
        raise InputError(
            f"too short to align: {frames / a.rate_hz:.1f} s in common",
            where=b.name,
            fix="Record ten seconds or more.",
        )
    start = _loudest(a, look, 0, frames)
    found = align(a.read(start, start + look)[0], b.read(start, start + look)[0], a.rate_hz)
    lag = found.lag_frames - 1e-6 * found.drift_ppm * start
    place = Alignment(lag, found.polarity, found.drift_ppm)
    return place if frames < 3 * look else _by_far_end(a, b, place, start, look)


def _by_far_end(a: Source, b: Source, place: Alignment, start: int, look: int) -> Alignment:
    """Refine the drift by a stretch as far away as there is one: small errors grow with time."""
    third = min(a.frames, b.frames) // 3
    late = start + look / 2 < 1.5 * third
    far = _loudest(a, look, 2 * third if late else 0, 3 * third if late else third)
    drift = 1e-6 * place.drift_ppm
    moved = Moved(b, place.lag_frames, place.drift_ppm, far, look, float(place.polarity), b.name)
    left = align(a.read(far, far + look)[0], moved.read(0, look)[0], a.rate_hz)
    more = left.lag_frames + 1e-6 * left.drift_ppm * look / 2
    if left.polarity < 0 or abs(more) > _MOST_LEFT * a.rate_hz:
        return place
    slope = more / (far - start)
    middle = start + look / 2
    return Alignment(place.lag_frames - slope * middle, place.polarity, 1e6 * (drift + slope))


def align_all(takes: Sequence[Source], places: Sequence[Alignment]) -> list[Source]:
    """Bring every take onto the first one's clock, and cut all to what they have in common."""
    first, last = 0, takes[0].frames
    for take, place in zip(takes[1:], places, strict=True):
        slope = 1 + 1e-6 * place.drift_ppm
        first = max(first, int(np.ceil(-place.lag_frames / slope)))
        last = min(last, int(np.floor((take.frames - place.lag_frames) / slope)))
    frames = max(last - first, 0)
    out: list[Source] = [Moved(takes[0], 0.0, 0.0, first, frames, 1.0, takes[0].name)]
    for take, place in zip(takes[1:], places, strict=True):
        one_clock = abs(place.drift_ppm) < _ONE_CLOCK_PPM
        lag = place.lag_frames
        if one_clock and abs(lag - round(lag)) < _NO_LAG:
            lag = float(round(lag))
        drift = 0.0 if one_clock else place.drift_ppm
        out.append(Moved(take, lag, drift, first, frames, float(place.polarity), take.name))
    return out


def _loudest(source: Source, look: int, first: int, last: int) -> int:
    """First frame of the loudest stretch of a length that lies between two frames."""
    step = source.rate_hz
    power = np.array(
        [float((source.read(at, at + step) ** 2).sum()) for at in range(first, last - step, step)]
    )
    width = max(look // step, 1)
    sums = np.convolve(power, np.ones(width), mode="valid")[: (last - first - look) // step + 1]
    return first + int(np.argmax(sums)) * step if sums.size and power.size >= width else first
