"""White noise to play into builds, of a limited band and a known seed."""

from __future__ import annotations

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.errors import SettingError
from cleanchain.fourier import fast_length
from cleanchain.measure.bands import HIGHEST_HZ, LOWEST_HZ
from cleanchain.units import db_to_amplitude

#: Level that is safe to start with, dBFS, and the loudest one that keeps its peaks, 12 dB up.
DEFAULT_DBFS, LOUDEST_DBFS = -30.0, -12.0
SHORTEST_S, LONGEST_S = 5.0, 600.0
_FADE_S = 0.05


def make_stimulus(
    seconds: float, seed: int = 1, rate_hz: int = 48_000, level_dbfs: float = DEFAULT_DBFS
) -> Capture:
    """Compute band-limited white noise.

    Parameters
    ----------
    seconds : float
        5 to 600.
    seed : int, optional
        The same seed, length and rate give the same samples.
    rate_hz : int, optional
        Sampling rate; 8000 to 192 000.
    level_dbfs : float, optional
        Rms level by AES17, at most -12 dBFS.

    Returns
    -------
    Capture
        One channel from 20 Hz to 20 kHz, or to 45 % of the rate, faded at both ends.

    Raises
    ------
    SettingError
        If a value is out of range.
    """
    if not SHORTEST_S <= seconds <= LONGEST_S:
        raise SettingError(
            f"a stimulus lasts {SHORTEST_S:g} to {LONGEST_S:g} s, not {seconds:g} s",
            fix="A minute is good.",
        )
    if not level_dbfs <= LOUDEST_DBFS:
        raise SettingError(
            f"{level_dbfs:g} dBFS is too loud for noise: its peaks would clip",
            fix=f"Stay at or below {LOUDEST_DBFS:g}dBFS and turn the loudspeaker up with care.",
        )
    if not 8000 <= rate_hz <= 192_000:
        raise SettingError(f"a rate of {rate_hz} Hz is outside 8000 to 192000 Hz")
    frames = round(seconds * rate_hz)
    size = fast_length(frames)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(size))
    frequency = np.arange(spectrum.size) * rate_hz / size
    spectrum[(frequency < LOWEST_HZ) | (frequency > min(HIGHEST_HZ, 0.45 * rate_hz))] = 0.0
    wave = np.fft.irfft(spectrum, size)[:frames]
    fade = 0.5 - 0.5 * np.cos(np.pi * np.arange(round(_FADE_S * rate_hz)) / (_FADE_S * rate_hz))
    wave[: fade.size] *= fade
    wave[frames - fade.size :] *= fade[::-1]
    wave *= db_to_amplitude(level_dbfs) / np.sqrt(2 * np.mean(wave**2))
    return Capture(wave, rate_hz, "stimulus")
