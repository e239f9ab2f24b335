"""A check on breaks: where a louder click would be left, the hum is taken out gently."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples, Source
from cleanchain.operators.base import run
from cleanchain.operators.harmonics import Reals
from cleanchain.operators.hum_level import BIN
from cleanchain.stages.hum_followed import Followed

#: Seconds around a break in which bands are compared.
_WINDOW_S = 10.0
#: Periods over which the hum is let go, or taken up, and over which a jump is faded: one after the
#: other is tried for as long as a band is louder.
_EASES, _OVERS = (8, 16, 32), (4, 8, 16)
#: Level beside a fade, of that on its other side, from which on the hum goes on there.
_GOES_ON = 0.1
#: Periods of the longest fade.
_LONGEST = 22
#: dB by which a third-octave band may be louder, and lowest and highest band, in tenths of a
#: decade around 1 kHz.
_LOUDER_DB, _BANDS = 0.05, (-16, 7)
#: dB from which on it is worth that more of the hum stays.
_CLICK_DB = 0.2
#: Power of what was taken out of a band by which it may rise through what was put in.
_CHANCE = 3.0
#: Breaks that are looked at, the first ones.
_MOST = 40


def eased(path: Followed, take: Source) -> Followed:
    """Ease the breaks at which a third-octave band would be louder than in the take.

    Where another hum follows at once, as in a take that was cut from two, a hum that is taken out
    to the very sample leaves the other one to set in suddenly. There the hum is let go some
    periods earlier, or taken up later: the change is then as it was in the take. A fade that
    makes a band louder is made longer, and a jump of the phase is faded over, unless the take is
    known to be joined there. Where that does not do, it is done more slowly.

    Parameters
    ----------
    path : Followed
        With breaks to the sample.
    take : Source
        What it was followed in.
    """
    jumps = [(at, 0) for at in path.jumps if at not in path.breaks and at not in take.joins]
    breaks = sorted([*zip(path.breaks, path.fades, strict=True), *jumps])[:_MOST]
    if not breaks:
        return path
    windows = [_window(at, take) for at, _ in breaks]

    def rises(other: Followed) -> list[tuple[float, float]]:
        return _rises(other, take, windows)

    plain = rises(path)
    least, chosen = list(plain), dict[int, tuple[int, int]]()
    for turn in range(len(_EASES)):
        gentle = {
            at: place
            for (at, fade), rise in zip(breaks, least, strict=True)
            if max(rise) > (_CLICK_DB if turn else _LOUDER_DB)
            and (place := _gentle(path, at, fade, turn)) is not None
        }
        if not gentle:
            break
        soft = rises(_with(path, chosen | gentle))
        for number, (at, _) in enumerate(breaks):
            if at in gentle and _better(soft[number], least[number]):
                least[number], chosen[at] = soft[number], gentle[at]
    if not chosen:
        return path
    # Breaks near each other have been judged together.
    both = rises(_with(path, chosen))
    better = {
        at: chosen[at]
        for (at, _), rise, now in zip(breaks, plain, both, strict=True)
        if at in chosen and now[0] <= max(rise[0], _LOUDER_DB) and now[1] < rise[1]
    }
    return replace(_with(path, better), eased=tuple(sorted(better)))


def _gentle(path: Followed, at: int, fade: int, turn: int) -> tuple[int, int] | None:
    """Return place and length of a fade instead: a longer one, or one where the hum is louder."""
    hop, level = path.frames.hop, path.levels[1].max(axis=0)
    if not fade and at not in path.breaks:
        return at, _OVERS[turn] * hop
    if fade and turn == 0:
        return at, min(2 * fade, _LONGEST * hop)
    away = -(-fade // hop // BIN) + 1
    bins = np.clip([at // hop // BIN - away, at // hop // BIN + away], 0, level.size - 1)
    before, after = level[bins].clip(min=0.0).tolist()
    if fade and min(before, after) > _GOES_ON * max(before, after):
        return None
    side = -1 if before >= after else 1
    ease = _EASES[turn] * hop
    return at + side * (fade + ease) // 2, ease


def _with(path: Followed, moved: Mapping[int, tuple[int, int]]) -> Followed:
    """Return a path with breaks at other places, of other lengths."""
    breaks = dict(zip(path.breaks, path.fades, strict=True))
    for at, (place, fade) in moved.items():
        breaks.pop(at, None)
        breaks[place] = fade
    pairs = sorted(breaks.items())
    return replace(
        path, breaks=tuple(at for at, _ in pairs), fades=tuple(fade for _, fade in pairs)
    )


def _window(cut: int, take: Source) -> tuple[int, int]:
    size = min(round(_WINDOW_S * take.rate_hz), take.frames)
    start = min(max(cut - size // 2, 0), take.frames - size)
    return start, start + size


def _rises(
    path: Followed, take: Source, windows: Sequence[tuple[int, int]]
) -> list[tuple[float, float]]:
    """Return the rises in some windows of the take as it would be without the hum.

    A window is judged once its end has come, so that few are held at a time.
    """
    rises: dict[int, tuple[float, float]] = {}
    pieces: dict[int, Samples] = {}
    done = 0
    for (block,) in run(path.operator(), take, single=True):
        end = done + block.shape[-1]
        for number, (start, stop) in enumerate(windows):
            low, high = max(start, done), min(stop, end)
            if low >= high:
                continue
            if number not in pieces:
                pieces[number] = np.empty((take.channels, stop - start), np.float32)
            pieces[number][:, low - start : high - start] = block[:, low - done : high - done]
            if high == stop:
                rises[number] = _rise(take.read(start, stop), pieces.pop(number), take.rate_hz)
        done = end
    return [rises[number] for number in range(len(windows))]


def _better(rise: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether a rise, put in and at all, is clearly less than another one that is audible."""
    halved = [one < 0.5 * old and old > _LOUDER_DB for one, old in zip(rise, other, strict=True)]
    return any(halved) and rise[0] <= max(other[0], _LOUDER_DB) and rise[1] < other[1]


def _rise(before: Samples, after: Samples, rate_hz: int) -> tuple[float, float]:
    """Return by how many dB a third-octave band is louder after, at most: put in, and at all.

    A click that is put in raises a band by about its own power. Where the power rises by far
    more, the hum and a much louder note in the band happened to cancel.
    """
    one, other = _spectrum(before), _spectrum(after)
    edges = _edges(before.shape[-1], rate_hz)
    was, now, taken = (_bands(part, edges) for part in (one, other, one - other))
    rise = 10 * np.log10(now / was)
    put_in = rise * (now - was < _CHANCE * taken)
    return float(put_in.max(initial=0.0)), float(rise.max(initial=0.0))


@lru_cache(maxsize=1)
def _hann(size: int) -> NDArray[np.float32]:
    return np.hanning(size).astype(np.float32)


def _edges(size: int, rate_hz: int) -> NDArray[np.int_]:
    """Bins at which the bands of a window of samples begin and the last one ends."""
    edges = 1000 * 10 ** ((np.arange(_BANDS[0], _BANDS[1] + 2) - 0.5) / 10)
    return (edges[edges < rate_hz / 2] * size / rate_hz).astype(int)


def _spectrum(wave: Samples) -> NDArray[np.complexfloating]:
    """Spectrum of a window; single precision lies far below what is added to each band."""
    spectrum: NDArray[np.complexfloating] = np.fft.rfft(
        wave.astype(np.float32) * _hann(wave.shape[-1]), norm="forward"
    )
    return spectrum


def _bands(spectrum: NDArray[np.complexfloating], edges: NDArray[np.int_]) -> Reals:
    """Power of third-octave bands, shape (channels, bands)."""
    spectrum = spectrum[..., : edges[-1] + 1]
    power = (spectrum.real**2 + spectrum.imag**2).astype(float)
    total: Reals = np.add.reduceat(power, edges, axis=-1)[..., :-1]
    total += 1e-9 * power.max(axis=-1, keepdims=True) + 1e-30
    return total
