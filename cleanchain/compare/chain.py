"""A take before and after a chain: what was removed, band by band, and in the pauses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.audio.source import Excerpt, Samples, Source, WholeView
from cleanchain.compare.placing import LEAST_S, place_of
from cleanchain.errors import FitError, InputError
from cleanchain.measure.alignment import Alignment
from cleanchain.measure.band_powers import measure_floors
from cleanchain.measure.bands import band_weights, bands
from cleanchain.measure.hum_difference import HumDifference, hum_difference
from cleanchain.measure.loudness import measure_loudness
from cleanchain.measure.silence import find_quiet
from cleanchain.measure.spectrum import frame_for, measure_spectrum
from cleanchain.units import power_db

Reals = NDArray[np.float64]

#: Frames of a segment for the gain and for telling a chain from takes at once.
_SIZE = 4096
#: Coherence that all but a quarter of the bins exceed after a chain, and the share of quietest
#: segments in which it is looked at: there takes at once have nothing but noise of their own.
_COHERENT, _QUIET = 0.7, 0.3
#: Frequencies that the gain is read from, Hz, and share of the loudest segments.
_GAIN_HZ, _LOUD = (200.0, 8000.0), 0.1
#: A power from here on has a level.
_LEAST = 1e-18
#: Seconds that are looked at for that.
_LOOK_S = 60.0


@dataclass(frozen=True)
class Scaled(WholeView):
    """A source times a factor, less another where one is given: `subtrahend - gain source`."""

    source: Source
    gain: float
    subtrahend: Source | None
    name: str

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start <= n < stop."""
        scaled = self.gain * self.source.read(start, stop)
        return scaled if self.subtrahend is None else self.subtrahend.read(start, stop) - scaled


@dataclass(frozen=True, eq=False)
class ChainResult:
    """One take before and after.

    Parameters
    ----------
    before, after, removed : Source
        `after` with the chain's gain taken out; `removed` is what `before` has more.
    gain_db : float
        The chain's gain where the signal stands: the loudness stage's.
    loudness_db : float or None
        Change of the K-weighted loudness.
    centre_hz, before_db, after_db, removed_db : ndarray of shape (bands,)
        Levels in third octaves, dBFS.
    place : Alignment or None
        Where it lies after the chain; None where it is too short to tell.
    pauses_s : float
        Length of the stretches in which nobody plays.
    noise_db, hiss_db : float or None
        Change in the pauses at equal level of the signal; None where not known.
    hum : HumDifference or None
        The same of the hum, of which after a chain there may be only a bound.
    """

    before: Source
    after: Source
    removed: Source
    gain_db: float
    loudness_db: float | None
    centre_hz: Reals
    before_db: Reals
    after_db: Reals
    removed_db: Reals
    place: Alignment | None
    pauses_s: float
    noise_db: float | None
    hiss_db: float | None
    hum: HumDifference | None


def compare_chain(before: Source, after: Source) -> ChainResult:
    """Compare one channel of a take before and after a chain.

    Raises
    ------
    FitError
        If rate or length differ: a chain keeps both.
    """
    if (before.rate_hz, before.frames) != (after.rate_hz, after.frames):
        raise FitError(
            f"has {after.frames} frames at {after.rate_hz} Hz, {before.name} has "
            f"{before.frames} at {before.rate_hz} Hz; a chain keeps both",
            where=after.name,
            fix="Name the take that went in and the take that came out.",
        )
    gain = _gain(before, after)
    level = Scaled(after, 1 / gain, None, after.name)
    removed = Scaled(after, 1 / gain, before, "removed")
    shown = tuple(band for band in bands() if band.high_hz <= before.rate_hz / 2)
    powers = []
    for one in (before, level, removed):
        spectrum = measure_spectrum(one, frame_for(one.frames, one.rate_hz), 0.75)
        edges = tuple((band.low_hz, band.high_hz) for band in shown)
        weights = band_weights(edges, spectrum.psd.shape[1], spectrum.bin_hz)
        powers.append(weights @ spectrum.psd[0] * spectrum.bin_hz)
    levels = [10 * np.log10(2 * np.maximum(power, 1e-20)) for power in powers]
    loud = [measure_loudness(one).integrated_lufs for one in (before, after)]
    seconds, noise_db, hiss_db, hum = _pauses(before, level)
    return ChainResult(
        before,
        level,
        removed,
        power_db(gain**2),
        None if loud[0] is None or loud[1] is None else loud[1] - loud[0],
        np.array([band.centre_hz for band in shown]),
        levels[0],
        levels[1],
        levels[2],
        place_of(before, after) if before.frames >= LEAST_S * before.rate_hz else None,
        seconds,
        noise_db,
        hiss_db,
        hum,
    )


def is_chain(a: Source, b: Source) -> bool:
    """Tell whether one recording is another after a chain: no noise in it that is its own."""
    same = (a.rate_hz, a.frames) == (b.rate_hz, b.frames)
    if not same or a.frames < 16 * _SIZE:
        return False
    frames = min(a.frames, int(_LOOK_S * a.rate_hz)) // _SIZE * _SIZE
    waves = np.concatenate([one.read(0, frames)[:1] for one in (a, b)]).reshape(2, -1, _SIZE)
    power = (waves[0] ** 2).sum(axis=1)
    quiet = waves[:, power <= np.quantile(power, _QUIET)]
    spectra = np.fft.rfft(quiet * np.hanning(_SIZE + 1)[:-1])[..., 1:-1]
    cross = (spectra[0] * spectra[1].conj()).mean(axis=0)
    own = (np.abs(spectra) ** 2).mean(axis=1).prod(axis=0)
    return bool(np.percentile(np.abs(cross) ** 2 / np.maximum(own, 1e-300), 25) > _COHERENT)


def _gain(before: Source, after: Source) -> float:
    """Median gain of the loudest segments: what the chain does to a signal that stands out."""
    frames = min(before.frames, int(_LOOK_S * before.rate_hz))
    a, b = (one.read(0, frames)[0] for one in (before, after))
    size = min(_SIZE, frames)
    pieces = [one[: frames // size * size].reshape(-1, size) for one in (a, b)]
    power = (pieces[0] ** 2).sum(axis=1)
    loud = power >= np.quantile(power, 1 - _LOUD)
    window = np.hanning(size + 1)[:-1]
    x, y = (np.fft.rfft(one[loud] * window) for one in pieces)
    own = (np.abs(x) ** 2).sum(axis=0)
    hz = np.arange(own.size) * before.rate_hz / size
    inside = (hz > _GAIN_HZ[0]) & (hz < min(_GAIN_HZ[1], 0.4 * before.rate_hz)) & (own > 0)
    if not inside.any():
        return 1.0
    ratio = np.abs((np.conj(x) * y).sum(axis=0)[inside]) / own[inside]
    order = np.argsort(ratio)
    total = np.cumsum(own[inside][order])
    gain = float(ratio[order][int(np.searchsorted(total, total[-1] / 2))])
    return gain if gain > 1e-6 else 1.0


def _pauses(
    before: Source, after: Source
) -> tuple[float, float | None, float | None, HumDifference | None]:
    """Length of the pauses, and the change of noise, hiss and hum in them."""
    quiet = find_quiet(before)
    if not quiet.ranges:
        return 0.0, None, None, None
    parts = [Excerpt(one, quiet.ranges, one.name) for one in (before, after)]
    try:
        levels = measure_floors(parts)
    except InputError:
        return quiet.seconds, None, None, None
    noise, hiss = (
        [float(one) for one in numbers]
        for numbers in ((level.power() for level in levels), (level.hiss_power for level in levels))
    )
    return quiet.seconds, _change(noise), _change(hiss), hum_difference(levels[:1], levels[1:])


def _change(powers: list[float]) -> float | None:
    return power_db(powers[1] / powers[0]) if min(powers) > _LEAST else None
