"""Where to the sample one hum gives way to another: a take was cut, a lamp was switched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cleanchain.audio.source import Samples
from cleanchain.operators.harmonics import Reals
from cleanchain.operators.projection import faded

#: Periods of the mains that the filter is long which whitens what else sounds.
_FILTER = 1.25
#: Nats by which a fade may be less likely than a quicker one, and by which the longest may.
_NEARLY, _SLOWLY = 3.0, 6.0
#: Periods of the window under which the power of the prediction error is taken.
_SMOOTH = 2.5
#: White noise that is added to what is whitened, of its power.
_LEAST = 1e-9


@dataclass(frozen=True)
class Change:
    """How one hum gives way to another.

    Parameters
    ----------
    place : int
        First sample of the other one, or the middle of the fade.
    fade : int
        Samples that it takes, 0 for a cut.
    gain : float
        By how many nats that explains the take better than another course of the hum does.
    """

    place: int
    fade: int
    gain: float


class Stretch:
    """A stretch of a take, whitened, in which hums of a known course are looked for.

    Parameters
    ----------
    take : ndarray of shape (channels, n)
    hum : ndarray of shape (channels, n)
        About what hum is in it.
    period : int
        Samples of a period of the mains.
    first : Stretch or None
        The same with a first idea of the hum: where its prediction fails, as at the beginning of
        a note, the stretch has less say.

    Notes
    -----
    What else sounds is predicted linearly, from its autocorrelation: notes are predicted well, a
    hum that switches elsewhere than ours is not. The power of the prediction error of what a hum
    leaves, over its mean, is twice its negative logarithm of likelihood.
    """

    def __init__(
        self, take: Samples, hum: Samples, period: int, first: Stretch | None = None
    ) -> None:
        self._order = round(_FILTER * period)
        self._size = 1 << (take.shape[1] + self._order).bit_length()
        self._say = np.ones_like(take)
        if first is not None:
            error = first._filtered(first._say * (take - hum))
            hann = np.hanning(round(_SMOOTH * period) + 2)[1:-1]
            power = _smoothed(error**2, hann / hann.sum())
            power = np.maximum(power, 1e-3 * power.mean(axis=-1, keepdims=True) + 1e-30)
            self._say = first._say / np.sqrt(power / np.median(power, axis=-1, keepdims=True))
        self._take = self._say * take
        left = self._say * (take - hum)
        whiten = np.stack([_whitener(one, self._order) for one in left])
        self._spectra = np.fft.rfft(whiten, self._size)
        self._noise = np.mean(self._filtered(left) ** 2, axis=-1) + 1e-30

    def _filtered(self, waves: Samples) -> Samples:
        spectra = np.fft.rfft(waves, self._size) * self._spectra
        filtered: Samples = np.fft.irfft(spectra, self._size)[..., : waves.shape[-1]]
        return filtered

    def misfit(self, hum: Samples) -> Reals:
        """Return the misfit of hums, shape (..., channels, n), in nats."""
        power = (self._filtered(self._take - self._say * hum) ** 2).sum(axis=-1)
        misfit: Reals = 0.5 * (power / self._noise).sum(axis=-1)
        return misfit

    def cut(self, before: Samples, after: Samples, low: int, high: int) -> int:
        """Find the sample, low <= m < high, at which the hum before gives way to that after.

        The misfit of m is the sum of terms of all samples before m, since it is the square of
        the whitened rest less that of the gap between both hums up to m.
        """
        gap = self._say * (before - after)
        rest, size = self._filtered(self._take - self._say * after), self._size
        back = np.fft.irfft(np.fft.rfft(rest, size) * self._spectra.conj(), size)
        lags = np.fft.irfft(np.abs(self._spectra) ** 2, size)[:, : self._order + 1]
        lags[:, 0] /= 2
        own = np.fft.irfft(np.fft.rfft(gap, size) * np.fft.rfft(lags, size), size)
        n = gap.shape[1]
        gain = (gap * (back[:, :n] - own[:, :n]) / self._noise[:, None]).sum(axis=0)
        return low + int(np.cumsum(gain)[low - 1 : high - 1].argmax())


def find_change(
    take: Samples,
    before: Samples,
    after: Samples,
    other: Samples,
    within: tuple[int, int],
    fades: Sequence[int],
    step: int,
) -> Change:
    """Find where and how fast one hum of a take gives way to another.

    Parameters
    ----------
    take : ndarray of shape (channels, n)
        A stretch of a take.
    before, after : ndarray of shape (channels, n)
        Hum as it is before the place, and as it is from there on, each all along the stretch.
    other : ndarray of shape (channels, n)
        Another course of the hum, which the gain is measured against.
    within : (int, int)
        Samples between which the place lies.
    fades : sequence of int
        Lengths of fades that are tried besides a cut, samples.
    step : int
        Samples of a period of the mains: from one middle of a fade that is tried to the next.

    Returns
    -------
    Change
    """
    low, high = within
    first = Stretch(take, blend(before, after, (low + high) // 2, 0), step)
    place = first.cut(before, after, low, high)
    stretch = Stretch(take, blend(before, after, place, 0), step, first)
    place = stretch.cut(before, after, low, high)
    tried = [(place, 0)]
    for fade in fades:
        middles = place + step * np.arange(-(fade // 2 // step) - 1, fade // 2 // step + 2)
        tried += [(one, fade) for one in middles.tolist() if low <= one < high]
    misfits = {one: float(stretch.misfit(blend(before, after, *one))) for one in tried}
    best = min(misfits, key=misfits.__getitem__)
    for part in (0.5, 0.25) if best[1] else ():
        place, fade = best
        for ratio in (1 / (1 + part), 1.0, 1 + part):
            for away in (-part * step, 0.0, part * step):
                one = round(place + away), min(round(fade * ratio), max(fades))
                if one not in misfits:
                    misfits[one] = float(stretch.misfit(blend(before, after, *one)))
        best = min(misfits, key=misfits.__getitem__)
    # Of what is nearly as likely the gentlest: what is left of a fade is no click.
    least, longest = misfits[best], max(fades, default=-1)
    likely = [
        one
        for one, misfit in misfits.items()
        if misfit <= least + (_SLOWLY if one[1] == longest else _NEARLY)
    ]
    best = max(likely, key=lambda one: (one[1], -misfits[one]))
    return Change(*best, float(stretch.misfit(other)) - misfits[best])


def blend(before: Samples, after: Samples, place: int, fade: int) -> Samples:
    """Fade from one wave to another around a place."""
    part = faded(np.arange(before.shape[-1]) - place, fade)
    result: Samples = before + part * (after - before)
    return result


def _smoothed(values: Samples, window: Reals) -> Samples:
    """Mean of values around each under a window, nothing beyond the ends."""
    count, size = values.shape[-1], 1 << (values.shape[-1] + window.size).bit_length()
    spectra = np.fft.rfft(values, size) * np.fft.rfft(window, size)
    first = (window.size - 1) // 2
    smooth: Samples = np.fft.irfft(spectra, size)[..., first : first + count]
    return smooth


def _whitener(wave: Reals, order: int) -> Reals:
    """Return the filter whose output on a wave is its prediction error, shape (order + 1,)."""
    from scipy.linalg import solve_toeplitz

    held = wave * np.hanning(wave.size + 2)[1:-1]
    size = 1 << (2 * held.size - 1).bit_length()
    power = np.abs(np.fft.rfft(held, size)) ** 2
    lags = np.fft.irfft(power)[: order + 1]
    lags[0] += _LEAST * lags[0] + 1e-20
    return np.concatenate([[1.0], -solve_toeplitz(lags[:-1], lags[1:])])
