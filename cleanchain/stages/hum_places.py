"""Where a followed hum jumps or breaks off, to the sample."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from cleanchain.audio.source import Samples, Source
from cleanchain.measure.hum_breaks import find_breaks
from cleanchain.measure.hum_cells import at_seconds
from cleanchain.measure.hum_edges import Change, find_change
from cleanchain.operators.harmonics import Reals
from cleanchain.operators.hum_level import BIN
from cleanchain.stages.hum_followed import Followed

#: Periods to either side in which a break or a jump is looked for, and those of the stretch.
_BREAK_WITHIN, _JUMP_WITHIN, _AROUND = 10, 3, 20
#: Periods within which a break and a jump are one.
_ONE = 12
#: Periods that are between two breaks at least, more than the longest fade.
_APART = 24
#: Fades that are tried, in periods: a hand that lets go of the strings. The last is none: what
#: takes as long, such as the beat of a note beside a line, is no break, and the averages follow it.
_FADES = (2, 4, 8, 14)
#: Nats by which a break must suit the take better than a level that moves slowly.
_CLEARLY = 8.0
#: How often breaks are looked for between those found, and how many at most.
_ROUNDS, _MOST = 4, 100


def broken(path: Followed, take: Source) -> Followed:
    """Find the breaks of the level of a followed hum.

    Parameters
    ----------
    path : Followed
        Breaks that it has stay.
    take : Source
        What it was followed in.

    Returns
    -------
    Followed
    """
    hop = path.frames.hop
    above, below = path.sums
    slow = path.loudness
    breaks = dict(zip(path.breaks, path.fades, strict=True))
    tried: set[int] = set()
    for _ in range(_ROUNDS):
        edges = {round(one / hop) for one in breaks} | tried
        found = find_breaks(above, below, tuple(sorted(edges)))
        for period, before, after in found[: _MOST - len(tried)]:
            tried.add(period)
            change = _change(path, take, period, before, after, slow)
            if change is None or change.gain < _CLEARLY or change.fade >= _FADES[-1] * hop:
                continue
            if all(abs(change.place - one) > _APART * hop for one in breaks):
                breaks[change.place] = change.fade
        if not found:
            break
    at = tuple(sorted(breaks))
    if at == path.breaks:
        return path
    return replace(path, breaks=at, fades=tuple(breaks[one] for one in at))


def placed(path: Followed, take: Source) -> Followed:
    """Find the samples at which the phase of a followed hum jumps.

    Parameters
    ----------
    path : Followed
        With jumps to about a period, and breaks. A jump beside a break, or beside a join of the
        take, is there.
    take : Source
        What it was followed in.

    Returns
    -------
    Followed
    """
    if not path.jumps:
        return path
    hop = path.frames.hop
    level = path.levels[1].clip(min=0.0)
    found: dict[int, int] = {}
    for jump in path.jumps:
        known = [one for one in (*path.breaks, *take.joins) if abs(one - jump) <= _ONE * hop]
        if known:
            found[jump] = known[0]
            continue
        period = round(jump / hop)
        last = level.shape[1] - 1
        before, after = (level[:, np.clip(at // BIN, 0, last)] for at in (period - 5, period + 4))
        change = _change(path, take, period, before, after, None)
        found[jump] = jump if change is None else change.place
    return path.moved(found)


def _change(
    path: Followed, take: Source, period: int, before: Reals, after: Reals, slow: Reals | None
) -> Change | None:
    """Find the place of a break, or of a jump of the phase where no slow level is given."""
    frames, hop = path.frames, path.frames.hop
    first, last = period - _AROUND, period + _AROUND
    first, last = max(first, 0), min(last, take.frames // hop)
    start, stop = first * hop, last * hop
    within = _JUMP_WITHIN if slow is None else _BREAK_WITHIN
    low, high = (period - within - first) * hop, (period + within - first) * hop
    if low < hop or high > stop - start - hop:
        return None
    edge_s = (period * hop - 0.5) / frames.rate_hz
    hum = path.expected()

    def sound(level: Reals, from_s: float = -np.inf, to_s: float = np.inf) -> Samples:
        shape = hum.hum_at(frames, first - 1, last - first + 2, from_s, to_s)
        wave = frames.sound(level[..., None] * shape)
        begin = hop - hop // 2
        result: Samples = wave[:, begin : begin + stop - start]
        return result

    some = take.read(start, stop)
    if slow is None:
        one, other = sound(before[:, None], to_s=edge_s), sound(after[:, None], from_s=edge_s)
        change = find_change(some, one, other, one, (low, high), (), hop)
        return replace(change, place=start + change.place)
    one, other = sound(before[:, None]), sound(after[:, None])
    seconds = frames.seconds(last - first + 2, first - 1)
    slowly = sound(at_seconds(slow, path.cells.step_s / 2, seconds, axis=1))
    fades = [fade * hop for fade in _FADES]
    change = find_change(some, one, other, slowly, (low, high), fades, hop)
    return replace(change, place=start + change.place)
