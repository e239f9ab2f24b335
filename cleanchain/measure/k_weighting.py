"""K-weighting of ITU-R BS.1770-5 at any sampling rate, in blocks, by products of matrices."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Samples

Coefficients = tuple[NDArray[np.float64], NDArray[np.float64]]

#: Analogue prototypes of the two sections, from which the table of BS.1770-5 Annex 1 at 48 kHz
#: follows by the bilinear transform to 1e-15: frequency in Hz, gain in dB, quality.
_SHELF = (1681.974450955533, 3.999843853973347, 0.7071752369554196)
_SHELF_BAND_EXPONENT = 0.4996667741545416
_HIGH_PASS = (38.13547087602444, 0.5003270373238773)
_REFERENCE_RATE_HZ = 48_000
#: From here on the bilinear transform keeps the shelf; below, it would bend it.
_PLAIN_FROM_HZ = 32_000

_BLOCK = 32  # frames that one row of a matrix product makes
_TILE = 512  # blocks that are worked on while they are near at hand in the processor
_GROUP = 16  # steps of the state that one row of a matrix product makes


def k_coefficients(rate_hz: float) -> tuple[Coefficients, Coefficients]:
    """Return numerator and denominator of the shelf and of the high-pass at a sampling rate.

    The analogue filters behind the table at 48 kHz, by the inverse bilinear transform, are taken
    to the rate by the bilinear transform. Below 32 kHz that would move the shelf, so there its
    response at 48 kHz is fitted instead, to 0.03 dB from 8 kHz on.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    ((ndarray, ndarray), (ndarray, ndarray))
        Three values each, in powers of the delay; both denominators begin with 1.

    Notes
    -----
    ITU-R BS.1770-5 (11/2023) Annex 1, Tables 1 and 2.
    """
    shelf = _shelf(rate_hz) if rate_hz >= _PLAIN_FROM_HZ else _fitted_shelf(rate_hz)
    hz, quality = _HIGH_PASS
    reference = np.tan(np.pi * hz / _REFERENCE_RATE_HZ)
    k = _REFERENCE_RATE_HZ / rate_hz * reference
    norm = 1 + k / quality + k * k
    # The table's numerator is 1, -2, 1 at 48 kHz; at another rate it scales to keep the response.
    top = (1 + reference / quality + reference * reference) / norm
    high_pass = (
        np.array([top, -2 * top, top]),
        np.array([1.0, 2 * (k * k - 1) / norm, (1 - k / quality + k * k) / norm]),
    )
    return shelf, high_pass


def _shelf(rate_hz: float) -> Coefficients:
    hz, gain_db, quality = _SHELF
    k = _REFERENCE_RATE_HZ / rate_hz * np.tan(np.pi * hz / _REFERENCE_RATE_HZ)
    high = 10 ** (gain_db / 20)
    band = high**_SHELF_BAND_EXPONENT
    norm = 1 + k / quality + k * k
    b = [high + band * k / quality + k * k, 2 * (k * k - high), high - band * k / quality + k * k]
    return np.array(b) / norm, np.array([norm, 2 * (k * k - 1), 1 - k / quality + k * k]) / norm


def _fitted_shelf(rate_hz: float) -> Coefficients:
    """Fit the power response, a ratio of polynomials in the cosine, and take its square root."""
    hz = np.linspace(0, rate_hz / 2, 1000)
    wanted = np.abs(_response(_shelf(_REFERENCE_RATE_HZ), hz, _REFERENCE_RATE_HZ)) ** 2
    powers = np.cos(2 * np.pi * hz / rate_hz)[:, None] ** np.arange(3)
    weight = 1 / wanted
    for _ in range(10):  # each fit's denominator weighs the next one's errors rightly
        unknown = np.hstack([powers, -wanted[:, None] * powers[:, 1:]])
        top, bottom = np.split(
            np.linalg.lstsq(unknown * weight[:, None], wanted * weight, rcond=None)[0], [3]
        )
        bottom = np.append(1.0, bottom)
        weight = 1 / (powers @ bottom * wanted)
    b, a = _inside(top), _inside(bottom)
    return b * np.sqrt(wanted[0]) * a.sum() / b.sum(), a


def _inside(in_cosine: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the polynomial of the delay, roots in the unit circle, with that power response."""
    cosine = np.roots(in_cosine[::-1]).astype(complex)
    roots = cosine - np.sqrt(cosine**2 - 1)
    return np.real(np.poly(np.where(np.abs(roots) < 1, roots, 1 / roots))).astype(np.float64)


def _response(
    section: Coefficients, hz: NDArray[np.float64], rate_hz: float
) -> NDArray[np.complex128]:
    delays = np.exp(-2j * np.pi * np.asarray(hz)[..., None] / rate_hz * np.arange(3))
    response: NDArray[np.complex128] = (delays @ section[0]) / (delays @ section[1])
    return response


def k_response(frequency_hz: NDArray[np.float64], rate_hz: float) -> NDArray[np.complex128]:
    """Return the complex response at frequencies from 0 to half the sampling rate, in Hz."""
    shelf, high_pass = k_coefficients(rate_hz)
    return _response(shelf, frequency_hz, rate_hz) * _response(high_pass, frequency_hz, rate_hz)


class KWeighting:
    """The filter as products of matrices, so that no sample waits for the one before it.

    A block of frames is its own response from rest plus that of the state it begins in. The states
    follow from what each block adds to them, in groups, the groups' again in groups, and so on.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in Hz.

    Attributes
    ----------
    warm_up_frames : int
        What came longer ago than this counts less than 1e-15; a multiple of 512.
    """

    def __init__(self, rate_hz: float) -> None:
        periods = 6 * rate_hz / _HIGH_PASS[0]
        self.warm_up_frames = int(np.ceil(periods / (_GROUP * _BLOCK))) * _GROUP * _BLOCK
        step, enter, leave, through = _state_space(*k_coefficients(rate_hz))
        order = step.shape[0]
        powers = _powers(step, _BLOCK + 1)
        pulse = np.concatenate(([through], powers[:-1] @ enter @ leave))
        lags = np.arange(_BLOCK) - np.arange(_BLOCK)[:, None]
        self._own = np.where(lags >= 0, pulse[lags], 0.0)
        self._adds = (powers[-2::-1] @ enter).reshape(_BLOCK, order)
        self._from_state = np.ascontiguousarray((leave @ powers[:-1]).T)
        self._levels: list[tuple[Samples, Samples]] = []
        self._step = powers[-1]
        one = self._step
        while np.abs(one).max() > 1e-30:
            self._levels.append(_group(one))
            one = np.linalg.matrix_power(one, _GROUP)

    def power(self, samples: Samples) -> Samples:
        """Return the square of each frame, weighted from rest.

        Shape (channels, frames) in and out, `frames` a multiple of 32.
        """
        channels, frames = samples.shape
        blocks = samples.reshape(channels, frames // _BLOCK, _BLOCK)
        states = self._states(blocks @ self._adds, 0)
        out = np.empty_like(blocks)
        for start in range(0, blocks.shape[1], _TILE):
            tile = slice(start, start + _TILE)
            part = out[:, tile]
            np.matmul(blocks[:, tile], self._own, out=part)
            part += states[:, tile] @ self._from_state
            part *= part
        return out.reshape(channels, frames)

    def _states(self, adds: Samples, level: int) -> Samples:
        """Return the state that each block begins in, from what each adds; (channels, n, order)."""
        channels, count, order = adds.shape
        if level == len(self._levels):  # what came before the last addition has died away
            return np.concatenate([np.zeros((channels, 1, order)), adds[:, :-1]], axis=1)
        within, onward = self._levels[level]
        if count % _GROUP:
            adds = np.concatenate([adds, np.zeros((channels, -count % _GROUP, order))], axis=1)
        made = adds.reshape(channels, -1, _GROUP * order) @ within
        begins = self._states(made[..., _GROUP * order :], level + 1)
        states = begins @ onward
        states += made[..., : _GROUP * order]
        return states.reshape(channels, -1, order)[:, :count]


def _state_space(
    first: Coefficients, second: Coefficients
) -> tuple[Samples, Samples, Samples, float]:
    """Return the two sections in a row as step (4, 4), enter (4,), leave (4,) and through."""
    (b1, a1), (b2, a2) = first, second
    step = np.zeros((4, 4))
    step[:2, :2] = [[-a1[1], 1], [-a1[2], 0]]
    step[2:, 2:] = [[-a2[1], 1], [-a2[2], 0]]
    enter_1, enter_2 = b1[1:] - a1[1:] * b1[0], b2[1:] - a2[1:] * b2[0]
    step[2:, 0] = enter_2
    enter = np.concatenate([enter_1, enter_2 * b1[0]])
    return step, enter, np.array([b2[0], 0.0, 1.0, 0.0]), float(b1[0] * b2[0])


def _powers(matrix: Samples, count: int) -> Samples:
    powers = [np.eye(matrix.shape[0])]
    for _ in range(count - 1):
        powers.append(matrix @ powers[-1])
    return np.array(powers)


def _group(step: Samples) -> tuple[Samples, Samples]:
    """Matrices, for rows, to the states of a group from what its blocks add and from its first."""
    order = step.shape[0]
    powers = _powers(step, _GROUP).transpose(0, 2, 1)
    within = np.zeros((_GROUP * order, (_GROUP + 1) * order))
    for came in range(_GROUP):
        for at in range(came + 1, _GROUP + 1):
            rows = slice(came * order, (came + 1) * order)
            within[rows, at * order : (at + 1) * order] = powers[at - came - 1]
    return within, np.hstack(list(powers))
