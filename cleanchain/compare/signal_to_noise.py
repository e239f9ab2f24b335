"""Signal-to-noise of one build less that of another, from what each heard and its own floor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from cleanchain.audio.source import Excerpt, Source
from cleanchain.measure.bands import Band, band_weights
from cleanchain.measure.coherence import coherence_bias
from cleanchain.measure.differences import OCTAVE_SHARE, THIRD_SHARE, Differences
from cleanchain.measure.levels import Estimates, Levels
from cleanchain.measure.noise_search import PlayedAt
from cleanchain.measure.played import find_played
from cleanchain.measure.transfer import measure_transfer

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: What is heard must stand this far above the floor, as a power ratio, for a signal-to-noise ratio.
_LEAST_RATIO = 10**0.1
_PER_NEPER = 10 / np.log(10)


@dataclass(frozen=True, eq=False)
class Heard:
    """What a build heard, and its floor, in third octaves.

    Parameters
    ----------
    bands : tuple of Band
        Which.
    heard, floor : Estimates
        Powers with the noise in both; hum is noise.
    """

    bands: tuple[Band, ...]
    heard: Estimates
    floor: Estimates

    @property
    def ratio(self) -> Reals:
        """Heard power over the floor's."""
        out: Reals = self.heard.power / np.maximum(self.floor.power, 1e-30)
        return out

    @property
    def heard_variance(self) -> Reals:
        """Variance of the logarithm of the heard power."""
        out: Reals = self.heard.variance / np.maximum(self.heard.power, 1e-30) ** 2
        return out

    @property
    def floor_variance(self) -> Reals:
        """Variance of the logarithm of the floor's power."""
        out: Reals = self.floor.variance / np.maximum(self.floor.power, 1e-30) ** 2
        return out

    @property
    def clear(self) -> Flags:
        """Bands in which the signal stands out beyond doubt."""
        sd = np.sqrt(self.heard_variance + self.floor_variance)
        out: Flags = self.ratio * np.exp(-2 * sd) > _LEAST_RATIO
        return out

    @property
    def snr_db(self) -> Reals:
        """Signal-to-noise ratio, NaN where the signal does not stand out."""
        ratio = np.where(self.clear, self.ratio, np.nan)
        out: Reals = 10 * np.log10(ratio - 1)
        return out


@dataclass(frozen=True, eq=False)
class SnrDifference:
    """Signal-to-noise of B less that of A where both hear the signal.

    Parameters
    ----------
    thirds, octaves : Differences
        Better is positive.
    more_sensitive_db, more_sensitive_sd_db, quieter_db, quieter_sd_db : ndarray
        The two parts, which add up to the difference, by third octave.
    """

    thirds: Differences
    octaves: Differences
    more_sensitive_db: Reals
    more_sensitive_sd_db: Reals
    quieter_db: Reals
    quieter_sd_db: Reals


def snr_difference(
    a: Heard, b: Heard, shared: Reals | None = None, dof: float = np.inf
) -> SnrDifference | None:
    """Compare two builds.

    Parameters
    ----------
    a, b : Heard
        In the same bands.
    shared : ndarray of shape (bands,), optional
        Squared coherence of what both heard; what they share by chance cancels in the difference.
    dof : float, optional
        Degrees of freedom of the floors' spread where they are few, for Student's t.

    Returns
    -------
    SnrDifference or None
        None where no band is clear in both.

    Notes
    -----
    With r the heard power over the floor's, the ratio is r - 1, and the logarithm of r - 1 varies
    by r / (r - 1) times that of r (first order).
    """
    known = a.clear & b.clear
    if not known.any():
        return None
    gains = [np.where(known, one.ratio / (one.ratio - 1), 1.0) for one in (a, b)]
    cancels = np.zeros(known.size) if shared is None else shared
    cancels = 2 * gains[0] * gains[1] * cancels * np.sqrt(a.heard_variance * b.heard_variance)
    whole, sensitive = -cancels, -cancels
    for one, gain in zip((a, b), gains, strict=True):
        whole = whole + gain**2 * (one.heard_variance + one.floor_variance)
        sensitive = sensitive + gain**2 * one.heard_variance + (gain - 1) ** 2 * one.floor_variance
    sd = _PER_NEPER * np.sqrt(whole)
    quieter = 10 * np.log10(a.floor.power / b.floor.power)
    quieter_sd = _PER_NEPER * np.sqrt(a.floor_variance + b.floor_variance)
    difference = np.where(known, b.snr_db - a.snr_db, 0.0)
    edges = np.array([(band.low_hz, band.centre_hz, band.high_hz) for band in a.bands]).T
    weight = np.where(known, 1 / sd**2, 0.0)
    total = weight[:-2] + weight[1:-1] + weight[2:]
    product = weight * difference
    three = known[:-2] & known[1:-1] & known[2:]
    mean = (product[:-2] + product[1:-1] + product[2:])[three] / total[three]
    octave_edges = np.array([edges[0][:-2], edges[1][1:-1], edges[2][2:]])
    return SnrDifference(
        _differences(edges[:, known], difference[known], sd[known], dof, THIRD_SHARE),
        _differences(octave_edges[:, three], mean, 1 / np.sqrt(total[three]), dof, OCTAVE_SHARE),
        (difference - quieter)[known],
        _PER_NEPER * np.sqrt(np.maximum(sensitive, 0.0))[known],
        quieter[known],
        quieter_sd[known],
    )


def _differences(
    edges: Reals, difference: Reals, sd: Reals, dof: float, share: float
) -> Differences:
    few = np.isfinite(dof)
    reach = float(stdtrit(dof, 0.975) if few else ndtri(0.975))
    score = -np.abs(difference) / np.maximum(sd, 1e-12)
    probability = 2 * (stdtr(dof, score) if few else ndtr(score))
    return Differences(
        edges[0],
        edges[1],
        edges[2],
        difference,
        difference - reach * sd,
        difference + reach * sd,
        sd,
        probability,
        share,
        np.zeros(difference.size, dtype=bool),
    )


def heard(stimulus: Levels, floors: tuple[Levels, ...]) -> Heard:
    """Return what a build heard against its floor.

    Parameters
    ----------
    stimulus : Levels
        Its capture while the stimulus played.
    floors : tuple of Levels
        Its silences; of two and more their spread counts.
    """
    powers = np.array([one.band_power.power for one in floors])
    variance = np.array([one.band_power.variance for one in floors]).mean(axis=0)
    if len(floors) > 1:
        variance = np.maximum(variance, powers.var(axis=0, ddof=1))
    floor = Estimates(powers.mean(axis=0), variance / len(floors))
    return Heard(stimulus.bands, stimulus.band_power, floor)


def same_stimulus(a: Source, b: Source) -> PlayedAt:
    """Find the noise that one capture holds in another, both of one channel."""
    return find_played(a, b)


def common_stretch(a: Source, b: Source, place: PlayedAt) -> tuple[Source, Source]:
    """Cut two captures to the stretch of the stimulus that both hold.

    What one build recorded before the stimulus started, and the other did not, would count as a
    difference of level.
    """
    lag = round(place.lag_frames)
    start, stop = max(0, -lag), min(a.frames, b.frames - lag)
    return (
        Excerpt(a, ((start, stop),), a.name),
        Excerpt(b, ((start + lag, stop + lag),), b.name),
    )


def shared_power(a: Source, b: Source, place: PlayedAt, bands: tuple[Band, ...]) -> Reals:
    """Squared coherence of two captures of one stimulus, shape (bands,), 0 to 1."""
    transfer = measure_transfer(a, b, place)
    measured = transfer.coherence
    clean = np.clip(measured - coherence_bias(measured, transfer.averages), 0.0, 1.0)
    edges = tuple((band.low_hz, band.high_hz) for band in bands)
    weights = band_weights(edges, measured.size, transfer.bin_hz)
    mean: Reals = weights @ clean / np.maximum(weights.sum(axis=1), 1e-12)
    return mean
