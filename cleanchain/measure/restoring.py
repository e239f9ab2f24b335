"""A stand-in for a signal that is only known under noise, with what the noise hides put back."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.operators.short_time import Frames, Rule, powers

#: Hops and bins over which hidden power is looked for, and bands in which it is weighed.
_HOPS, _BINS, _BANDS = 15, 5, 10
#: Short-time frames, and rows of a mean, that are worked on together: memory stays low.
_TOGETHER = 128
#: Part of the hidden power that is put back as noise: it loses more in a gate than the tones it
#: stands for. Set on generated mixtures of rendered instruments, so that the damage of a gate comes
#: out without bias (`tests/bench/ledger_bench.py`).
HIDDEN_SHARE = 0.4
#: Local hidden power below this part of the floor is chance.
_LEAST = 0.1


def restore(
    noisy: Samples,
    floor: NDArray[np.float64],
    floor_times: int,
    draw: Samples,
    frames: Frames,
    rule: Rule,
) -> NDArray[np.float32]:
    """Draw a signal as it may well have been, given a noisy recording and its floor.

    Parameters
    ----------
    noisy : ndarray of shape (channels, frames)
        Signal and hiss.
    floor : ndarray of shape (channels, bins)
        Mean power of the hiss on short-time frames.
    floor_times : int
        Short-time frames that the floor was learned from.
    draw : ndarray of shape (channels, frames + 2 frames.size)
        Another draw of the hiss.
    frames : Frames
        Analysis and synthesis.
    rule : Rule
        Gains of the Wiener form with a smallest gain of 0.

    Returns
    -------
    ndarray of shape (channels, frames)

    Notes
    -----
    In each place a gain G of the Wiener form says that the signal is Gaussian around G times the
    noisy value, with a variance of G times the floor; a value is drawn from there. Power beyond all
    of it, |Y|^2 less the floor less |G Y|^2 less G times the floor, cannot be seen in a place but
    over many; a share of what is left of it in each band, shrunk by its own standard deviation, is
    put back where it shows most. Where it is below zero, the small gains of that band are lowered
    until all that is drawn has room in what was seen.
    """
    pad = frames.size
    padded = np.pad(noisy.astype(np.float32), ((0, 0), (pad, pad)), mode="symmetric")
    pieces = _pieces(padded.shape[1], frames)
    ratio = np.empty((len(noisy), pieces[-1][0].stop, frames.bins), dtype=np.float32)
    for times, samples in pieces:
        ratio[:, times] = powers(frames.spectra(padded[:, samples]))
    edges = ((0, 0), (rule.reach, rule.reach), (0, 0))
    gains = rule.gains(np.pad(ratio, edges, mode="edge"))
    ratio /= np.maximum(floor, 1e-30)[:, None].astype(np.float32)
    missing: Any = gains * ratio
    missing += 1
    missing *= gains
    np.subtract(ratio, missing, out=missing)
    missing -= 1
    del ratio
    hidden, room = _hidden(missing, gains, floor, floor_times)
    del missing
    out = np.zeros_like(padded)
    for times, samples in pieces:
        spectra = frames.spectra(padded[:, samples])
        gain = gains[:, times] * (room + (1 - room) * gains[:, times])
        spectra *= gain
        put_back = gain + HIDDEN_SHARE * hidden[:, times]
        spectra += np.sqrt(put_back) * frames.spectra(draw[:, samples].astype(np.float32))
        out[:, samples] += frames.samples(spectra)
    return out[:, pad : pad + noisy.shape[1]]


def _pieces(length: int, frames: Frames) -> list[tuple[slice, slice]]:
    """Return short-time frames that are worked on together, and the samples they reach over."""
    count = (length - frames.size) // frames.hop + 1
    pieces = []
    for first in range(0, count, _TOGETHER):
        last = min(first + _TOGETHER, count)
        samples = slice(first * frames.hop, (last - 1) * frames.hop + frames.size)
        pieces.append((slice(first, last), samples))
    return pieces


def _hidden(
    missing: NDArray[np.float32],
    gains: NDArray[np.float32],
    floor: NDArray[np.float64],
    floor_times: int,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Place hidden power, relative to the floor, where it shows; sums as they are in each band.

    Returns
    -------
    hidden : ndarray of shape (channels, times, bins)
    room : ndarray of shape (bins,)
        What a small gain is to be lowered by: less than 1 in bands whose power leaves no room for
        all that the gains say is there.
    """
    local: NDArray[np.float32] = missing
    for width, axis in ((_HOPS, 1), (_HOPS, 1), (_BINS, 2), (_BINS, 2)):
        local = _running_mean(local, width, axis)
    local = np.maximum(local - _LEAST, 0.0)
    bins, times = missing.shape[2], missing.shape[1]
    room = np.ones(bins, dtype=np.float32)
    edges = np.unique(np.concatenate([[0], np.round(np.geomspace(4, bins, _BANDS)).astype(int)]))
    for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        weight = floor[:, None, low:high]
        wanted = float((missing[..., low:high] * weight).sum())
        placed = float((local[..., low:high] * weight).sum())
        # Half of the frames are independent, in the recording and in the silence.
        chance = 2 * float((weight**2).sum()) * times**2 * (1 / times + 1 / floor_times)
        sure = wanted**2 / (wanted**2 + chance)
        share = wanted * sure / placed if placed > 0 and wanted > 0 else 0.0
        local[..., low:high] *= min(share, 1.0)
        if wanted < 0:
            # What would go if all small gains were 0; most of the power there is hiss.
            some = gains[..., low:high]
            small = float((some * (1 - some) * (1 + 2 * some) * weight).sum())
            room[low:high] = max(1 + wanted * sure / max(small, 1e-30), 0.0)
    return local, room


def _running_mean(values: NDArray[np.float32], width: int, axis: int) -> NDArray[np.float32]:
    """Mean over an odd number of neighbours along an axis, mirrored at the ends."""
    pad = [(0, 0)] * values.ndim
    pad[axis] = (width // 2 + 1, width // 2)
    means = np.empty_like(values)
    rows = [slice(None)] * values.ndim
    across = 3 - axis
    for first in range(0, values.shape[across], _TOGETHER):
        rows[across] = slice(first, first + _TOGETHER)
        some = np.pad(values[tuple(rows)], pad, mode="symmetric")
        total = np.cumsum(some, axis=axis, dtype=np.float64)
        ends = np.arange(width, total.shape[axis])
        sums = np.take(total, ends, axis) - np.take(total, ends - width, axis)
        means[tuple(rows)] = sums / width
    return means
