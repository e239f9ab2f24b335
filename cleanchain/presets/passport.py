"""What a floor is: learned from a silence, with the passport that tells of it."""

from __future__ import annotations

import datetime

import numpy as np

from cleanchain.audio.source import Source
from cleanchain.measure.bands import bands
from cleanchain.measure.hum import HumModel, learn_silence
from cleanchain.measure.levels import Levels, band_estimates, measure_levels
from cleanchain.measure.mains import NOMINAL_HZ, find_candidates
from cleanchain.presets.floor import Floor, kept_of, make_floor
from cleanchain.presets.schema import Passport
from cleanchain.threads import helpers
from cleanchain.units import rms_dbfs


def learn(silence: Source) -> tuple[Floor, Passport]:
    """Learn a floor and its passport from a silence; the passport lacks the hash of the file.

    Raises
    ------
    InputError
        If the silence is too short for a spectrum, or holds nothing.
    """
    kept = kept_of(silence)
    levels = levels_of_all(kept)
    model = hum_of(kept)
    first = levels[0]
    density = np.mean([level.split.hiss for level in levels], axis=0)
    shown = tuple(b for b in bands(63.0, 16_000.0, 1) if b.high_hz <= kept.rate_hz / 2)
    shape = band_estimates(first.spectrum, density, shown).power
    hum = [level.hum_power for level in levels]
    passport = Passport(
        made=datetime.date.today(),
        floor_sha256="",
        rate_hz=kept.rate_hz,
        channels=kept.channels,
        seconds=round(kept.frames / kept.rate_hz, 3),
        hiss_dbfs=tuple(_level(level.hiss_power) for level in levels),
        hum_dbfs=() if model is None else tuple(_level(power) for power in hum),
        octaves_hz=tuple(band.name_hz for band in shown),
        shape_dbfs=tuple(_level(float(power)) for power in shape),
        mains_hz=None if model is None else round(model.mains_hz, 3),
    )
    third_dbfs = np.array([[_level(float(p)) for p in one.band_hiss.power] for one in levels])
    third_hz = np.array([band.centre_hz for band in first.bands])
    return make_floor(kept, third_hz, third_dbfs, model), passport


def hum_of(silence: Source) -> HumModel | None:
    """Return the waveform of the hum of a silence, None where there is none."""
    for candidate in find_candidates(silence, NOMINAL_HZ):
        model = learn_silence(silence, candidate)
        if model is not None:
            return model
    return None


def levels_of_all(source: Source) -> list[Levels]:
    """Measure every channel of a silence."""
    with helpers(2) as pool:
        return list(pool.map(lambda n: measure_levels(source, n), range(source.channels)))


def _level(power: float) -> float:
    return round(max(rms_dbfs(power), -200.0), 2)
