"""How two takes of the same moment lie against each other: lag, polarity and clock drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.capture import Capture
from cleanchain.fourier import fast_length
from cleanchain.measure.moved import Moved

Reals = NDArray[np.float64]

#: Stretches along the takes in which the delay is measured, and a delay that was not found.
_STRETCHES, _NOT_FOUND = 12, 100.0
#: Times that B is moved at most, and how little is left to move, frames.
_PASSES, _SETTLED_FRAMES = 2, 0.02
#: Below this the strongest hum lies, Hz; no bin is surer of its phase than this coherence says.
_LOWEST_HZ, _MOST_COHERENT = 170.0, 0.99


@dataclass(frozen=True)
class Alignment:
    """Where B lies against A.

    Parameters
    ----------
    lag_frames : float
        B is late by this many frames at the start of A; negative where it is early.
    polarity : int
        1, or -1 where B is upside down.
    drift_ppm : float
        Growth of the lag along A in parts per million.
    """

    lag_frames: float
    polarity: int
    drift_ppm: float


def align(a: Reals, b: Reals, rate_hz: int) -> Alignment:
    """Find lag, polarity and drift of one channel against another, shape (frames,) each.

    Notes
    -----
    The whole cross-correlation gives the lag to a frame and the sign. In stretches, the phase of
    the cross-spectrum gives it to a fraction: each bin weighs with what its coherence tells of its
    phase (Knapp and Carter 1976). A line through the stretches gives lag and drift. Music is not
    even within a stretch, so that its lag is that of its loudest moment; B is moved by what was
    found and measured again until nothing is left to move.
    """
    frames = min(a.size, b.size)
    a, b = a[:frames], b[:frames]
    coarse, sign = _peak(a, b, rate_hz)
    lag, drift = _line(a, sign * b, coarse, rate_hz)
    source = Capture(b, rate_hz)
    passes = 0 if coarse == 0 and abs(lag) + abs(drift) * frames < _SETTLED_FRAMES else _PASSES
    for _ in range(passes):
        moved = Moved(source, lag, drift * 1e6, 0, frames, sign, "moved").read(0, frames)[0]
        more, rest = _line(a, moved, 0, rate_hz)
        # Frame n of what was moved is frame n (1 + drift) + lag of B.
        lag, drift = lag + more * (1 + drift), drift + rest * (1 + drift)
        if abs(rest) * frames < _SETTLED_FRAMES and abs(more) < _SETTLED_FRAMES:
            break
    return Alignment(lag, sign, drift * 1e6)


def _line(a: Reals, b: Reals, coarse: int, rate_hz: int) -> tuple[float, float]:
    """Lag at the first frame and its growth a frame, from stretches."""
    frames = a.size
    size = max(frames // _STRETCHES, 1024)
    at, lag, weight = [], [], []
    guess = float(coarse)
    for start in range(0, frames - size + 1, size):
        here = round(guess)
        low, high = start + here, start + here + size
        if low < 0 or high > frames:
            continue
        x, y = a[start : start + size], b[low:high]
        if not x.any() or not y.any():
            continue
        near, _ = _peak(x, y, rate_hz, most=64)
        if abs(near) > 0 and low + near >= 0 and high + near <= frames:
            here += near
            y = b[low + near : high + near]
        delay, sd = _fraction(x, y, rate_hz)
        if sd > _NOT_FOUND:
            continue
        guess = here + delay
        at.append(start + size / 2)
        lag.append(guess)
        weight.append(1 / max(sd, 1e-6))
    if len(at) < 2:
        return float(coarse), 0.0
    slope, offset = np.polyfit(at, lag, 1, w=weight)
    return float(offset), float(slope)


def _peak(a: Reals, b: Reals, rate_hz: int, most: int | None = None) -> tuple[int, int]:
    """Lag and sign of the largest cross-correlation, whole frames; loud lines count by amplitude.

    Without the lowest frequencies, where a hum that both take up would decide.
    """
    size = fast_length(2 * a.size)
    spectrum = np.conj(np.fft.rfft(a, size)) * np.fft.rfft(b, size)
    spectrum[: int(_LOWEST_HZ * size / rate_hz)] = 0.0
    spectrum /= np.sqrt(np.maximum(np.abs(spectrum), 1e-300))
    correlation = np.fft.irfft(spectrum, size)
    lags = np.fft.fftfreq(size, 1 / size)
    if most is not None:
        correlation = np.where(np.abs(lags) <= most, correlation, 0.0)
    best = int(np.argmax(np.abs(correlation)))
    return round(lags[best]), 1 if correlation[best] >= 0 else -1


def _fraction(x: Reals, y: Reals, rate_hz: int) -> tuple[float, float]:
    """Delay of y in frames, below a frame or two, and its standard deviation."""
    size = 1 << int(np.log2(max(x.size // 8, 256)))
    starts = range(0, x.size - size + 1, size // 2)
    window = np.hanning(size + 1)[:-1]
    xs = np.fft.rfft([x[s : s + size] * window for s in starts])
    delay, sd = 0.0, 1.0
    omega = 2 * np.pi * np.arange(size // 2 + 1) / size
    ys = np.fft.rfft([y[s : s + size] * window for s in starts])
    cross = (np.conj(xs) * ys).sum(axis=0)
    power = (np.abs(xs) ** 2).sum(axis=0) * (np.abs(ys) ** 2).sum(axis=0)
    coherence = np.clip(np.abs(cross) ** 2 / np.maximum(power, 1e-300), 0, _MOST_COHERENT)
    floor = 1 - 0.05 ** (1 / max(len(xs) - 1, 1))
    weight = np.where(coherence > floor, coherence / (1 - coherence), 0.0)
    # The hum's phase says where its field comes from, not when the string was plucked.
    weight[omega < 2 * np.pi * _LOWEST_HZ / rate_hz] = 0.0
    weight[-1] = 0.0
    for _ in range(4):  # the phase left over after each turn is small and does not wrap
        phase = np.angle(cross * np.exp(1j * omega * delay))
        curve = float((weight * omega**2).sum())
        if curve == 0:
            return 0.0, 1e3
        delay -= float((weight * omega * phase).sum()) / curve
        sd = 1 / np.sqrt(curve * len(xs))
    return delay, sd
