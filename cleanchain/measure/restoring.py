"""A stand-in for a signal that is only known under noise, with what the noise hides put back."""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from cleanchain.audio.source import Samples
from cleanchain.operators.base import Operator
from cleanchain.operators.short_time import Frames, Rule

#: Hops and bins over which hidden power is looked for, and bands in which it is weighed.
_HOPS, _BINS, _BANDS = 15, 5, 10
#: Part of the hidden power that is put back: as noise it loses more than the tones it stands for.
HIDDEN_SHARE = 0.6
#: Local hidden power below this part of the floor is chance.
_LEAST = 0.1
#: How far the lines of the hum are moved to see what a comb takes there, Hz.
SHIFTS_HZ = (2.3, -3.1, 4.3, -5.3)


def restore(
    noisy: Samples,
    floor: NDArray[np.float64],
    floor_times: int,
    draws: tuple[Samples, Samples],
    frames: Frames,
    rule: Rule,
) -> Samples:
    """Draw a signal as it may well have been, given a noisy recording and its floor.

    Parameters
    ----------
    noisy : ndarray of shape (channels, frames)
        Signal and hiss.
    floor : ndarray of shape (channels, bins)
        Mean power of the hiss on short-time frames.
    floor_times : int
        Short-time frames that the floor was learned from.
    draws : two ndarrays of shape (channels, frames + 2 frames.size)
        Independent draws of the hiss.
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
    noisy value, with a variance of G times the floor; a value is drawn from there, so that the
    drawn signal has the power of the true one and not that of the cleaned one. Power beyond that,
    |Y|^2 less the floor less the drawn signal's, cannot be seen in a place but over many; what is
    left of it in each band, shrunk by its own standard deviation, is put back where it shows most.
    """
    pad = frames.size
    padded = np.pad(noisy, ((0, 0), (pad, pad)), mode="symmetric")
    spectra = frames.spectra(padded)
    power = (spectra.real**2 + spectra.imag**2).astype(np.float32)
    gains = np.array(rule.gains(power))
    ratio = power / np.maximum(floor, 1e-30)[:, None].astype(np.float32)
    hidden = _hidden(ratio - 1 - gains * (gains * ratio + 1), floor, floor_times)
    drawn = [frames.spectra(draw) for draw in draws]
    spectra *= gains
    spectra += np.sqrt(gains) * drawn[0]
    spectra += np.sqrt(HIDDEN_SHARE * hidden) * drawn[1]
    return frames.samples(spectra)[:, pad : pad + noisy.shape[1]]


def _hidden(
    missing: NDArray[np.float32], floor: NDArray[np.float64], floor_times: int
) -> NDArray[np.float32]:
    """Place hidden power, relative to the floor, where it shows; sums as they are in each band."""
    from scipy.ndimage import uniform_filter1d

    local = missing
    for _ in range(2):
        local = uniform_filter1d(uniform_filter1d(local, _HOPS, axis=1), _BINS, axis=2)
    local = np.maximum(local - _LEAST, 0.0)
    bins, times = missing.shape[2], missing.shape[1]
    edges = np.unique(np.concatenate([[0], np.round(np.geomspace(4, bins, _BANDS)).astype(int)]))
    for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        weight = floor[:, None, low:high]
        wanted = float((missing[..., low:high] * weight).sum())
        placed = float((local[..., low:high] * weight).sum())
        # Half of the frames are independent, in the recording and in the silence.
        chance = 2 * float((weight**2).sum()) * times**2 * (1 / times + 1 / floor_times)
        share = wanted**3 / (wanted**2 + chance) / placed if placed > 0 and wanted > 0 else 0.0
        local[..., low:high] *= min(share, 1.0)
    return local


def refill(without: Samples, operator: Operator, driver: Samples, rate_hz: int) -> Samples:
    """Put back what a comb takes from a signal, seen where the comb does not stand.

    The signal is moved by a few hertz, several ways, and sent through the comb: what it takes
    then stands for what it took from the signal on its lines. Their mean power is put back.

    Parameters
    ----------
    without : ndarray of shape (channels, frames)
        Signal that has been through the comb.
    operator : Operator
        The comb.
    driver : ndarray of shape (channels, frames)
        What the comb was planned on.
    rate_hz : int
        Sampling rate in Hz.
    """
    from cleanchain.audio.capture import Capture
    from cleanchain.operators.base import run

    moved = [shifted(without, hz, rate_hz) for hz in SHIFTS_HZ]
    lanes = [Capture(one, rate_hz) for one in (driver, *moved)]
    sent = np.concatenate(list(run(operator, *lanes)), axis=-1)[1:]
    takes = [one - out for one, out in zip(moved, sent, strict=True)]
    taken = np.sum(takes, axis=0)
    # What they have in common, an onset for instance, must not add up: mean power, not more.
    mean, total = float(np.sum(np.square(takes))) / len(takes), float(np.sum(taken**2))
    filled: Samples = without + taken * (np.sqrt(mean / total) if total > 0 else 0.0)
    return filled


def shifted(samples: Samples, hz: float, rate_hz: int) -> Samples:
    """Move every frequency of a signal by the same number of hertz (whole bins of its length)."""
    count = samples.shape[1]
    size = scipy.fft.next_fast_len(count, real=True)
    spectrum = scipy.fft.rfft(samples, size, axis=1, workers=2)
    bins = round(hz * size / rate_hz)
    moved = np.zeros_like(spectrum)
    if bins >= 0:
        moved[:, bins:] = spectrum[:, : spectrum.shape[1] - bins]
    else:
        moved[:, :bins] = spectrum[:, -bins:]
    result: Samples = scipy.fft.irfft(moved, size, axis=1, workers=2)[:, :count]
    return result
