"""What a floor is made of: interface, thermal noise of the source, hum, and the rest."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.bands import Band, band_weights
from cleanchain.measure.calibration import Calibration
from cleanchain.measure.levels import Estimates, Levels
from cleanchain.measure.thermal import ElectricalSource
from cleanchain.units import power_db, rms_dbfs

Reals = NDArray[np.float64]

#: Less than this above the interface, a pickup's own noise is not told as a number, dB.
LEAST_EXCESS_DB = 3.0
#: How much larger a bias resistor is tried, and a part that is worth a word, dB.
LARGER_LOAD, _WORTH_DB = 10.0, 0.5
#: Differences of powers tell no more than this, for the powers' own uncertainty, dB.
_TOLD_DB = 20.0


@dataclass(frozen=True)
class BandShare:
    """What the noise of one band is made of.

    Parameters
    ----------
    band : Band
        Which one.
    total_dbfs : float
        Everything.
    pickup_dbfs : float or None
        Total less interface, in power; None at or below the interface.
    pickup_low_dbfs : float or None
        Lower 95 % bound; None where it may be nothing.
    pickup_high_dbfs : float
        Upper 95 % bound.
    parts_dbfs : dict of str to float
        Levels of "interface", "thermal", "hum" and "own hiss" (the rest), those that are known.
    dominant : str
        The largest part; "nothing" where there is no noise at all.
    """

    band: Band
    total_dbfs: float
    pickup_dbfs: float | None
    pickup_low_dbfs: float | None
    pickup_high_dbfs: float
    parts_dbfs: dict[str, float]
    dominant: str


@dataclass(frozen=True)
class Budget:
    """A floor, part by part.

    Parameters
    ----------
    bands : tuple of BandShare
        Third octaves.
    parts_dbfs : dict of str to float
        The same parts, 20 Hz to 20 kHz.
    gains_db : dict of str to float
        By how much the whole floor would fall at best: without "hum", with a "perfect preamp"
        (no interface noise), with a "larger load" (a bias resistor ten times as large).
    warnings : tuple of str
        What cannot be true and why.
    """

    bands: tuple[BandShare, ...]
    parts_dbfs: dict[str, float]
    gains_db: dict[str, float]
    warnings: tuple[str, ...] = field(default=())

    def as_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "bands": [
                {
                    "centre_hz": share.band.centre_hz,
                    "total_dbfs": share.total_dbfs,
                    "pickup_dbfs": share.pickup_dbfs,
                    "pickup_low_dbfs": share.pickup_low_dbfs,
                    "pickup_high_dbfs": share.pickup_high_dbfs,
                    "parts_dbfs": share.parts_dbfs,
                    "dominant": share.dominant,
                }
                for share in self.bands
            ],
            "parts_dbfs": self.parts_dbfs,
            "gains_db": self.gains_db,
        }

    def words(self) -> list[str]:
        """Say which part dominates where, and what could be gained."""
        lines = []
        names_of = {
            "own hiss": "the build's own hiss",
            "interface": "the interface",
            "thermal": "the thermal noise of the source",
        }
        parts = dict.fromkeys(share.dominant for share in self.bands)
        for part in (part for part in parts if part != "nothing"):
            names = _spans([share.dominant == part for share in self.bands], self.bands)
            lines.append(f"{names_of.get(part, part)} dominates at {names} Hz")
        low = [share.pickup_dbfs is None for share in self.bands]
        if any(low):
            most = max(share.pickup_high_dbfs for share in self.bands if share.pickup_dbfs is None)
            lines.append(
                f"at or below the interface at {_spans(low, self.bands)} Hz, its own noise "
                f"there at most {most:.0f} dBFS a band"
            )
        what = {
            "hum": "removing all hum",
            "perfect preamp": "a preamp without noise",
            "larger load": f"a bias resistor {LARGER_LOAD:.0f} times as large",
        }
        for name, gain in self.gains_db.items():
            gained = f"{gain:.1f} dB" if gain >= _WORTH_DB else "nothing to speak of"
            if gain > _TOLD_DB and name != "hum":
                gained = f"more than {_TOLD_DB:.0f} dB"
            lines.append(f"{what[name]} would gain at best {gained}")
        return lines + list(self.warnings)


def floor_budget(
    silence: Levels,
    interface: Levels | None = None,
    source: ElectricalSource | None = None,
    calibration: Calibration | None = None,
) -> Budget:
    """Split the floor of a build into its parts.

    Parameters
    ----------
    silence : Levels
        The build, nobody playing.
    interface : Levels, optional
        The interface at the same gain, its input closed or at a dummy source.
    source : ElectricalSource, optional
        What the build is electrically.
    calibration : Calibration, optional
        Needed to set the thermal noise against the recording.

    Notes
    -----
    Powers of independent noises add. Bounds take the total's upper against the interface's lower
    95 % bound and the reverse, which is wider than 95 %.
    """
    bands, total = silence.bands, silence.band_power
    hum = np.maximum(total.power - silence.band_hiss.power, 0.0)
    parts: dict[str, Reals] = {"hum": hum}
    if interface is not None:
        parts["interface"] = np.minimum(interface.band_power.power[: len(bands)], total.power)
    larger = None
    if source is not None and calibration is not None:
        thermal, larger = _thermal(silence, source, calibration)
        parts["thermal"] = thermal
    rest = total.power - sum(parts.values())
    parts["own hiss"] = np.maximum(rest, 0.0)
    shares = tuple(
        _share(place, band, total, None if interface is None else interface.band_power, parts)
        for place, band in enumerate(bands)
    )
    return Budget(
        shares,
        {name: rms_dbfs(float(power.sum())) for name, power in parts.items() if power.sum() > 0},
        _gains(total.power, parts, larger, silence.tells_hum),
        tuple(_warnings(silence, interface, parts)),
    )


def _thermal(
    silence: Levels, source: ElectricalSource, calibration: Calibration
) -> tuple[Reals, Reals]:
    """Thermal power in every band at full scale 1, and with a larger load."""
    frequency = silence.spectrum.frequency_hz
    edges = tuple((band.low_hz, band.high_hz) for band in silence.bands)
    weights = band_weights(edges, frequency.size, silence.spectrum.bin_hz)
    scale = silence.spectrum.bin_hz / (2 * calibration.full_scale_v**2)
    other = replace(source, load_ohm=LARGER_LOAD * source.load_ohm)
    now, then = (weights @ one.density_v2(frequency) * scale for one in (source, other))
    return now, then


def _share(
    place: int, band: Band, total: Estimates, interface: Estimates | None, parts: dict[str, Reals]
) -> BandShare:
    power = float(total.power[place])
    low, high = (float(bound[place]) for bound in total.interval())
    own: float | None = power
    own_low, own_high = low, high
    if interface is not None:
        floor = float(interface.power[place])
        floor_low, floor_high = (float(bound[place]) for bound in interface.interval())
        own_low, own_high = low - floor_high, max(high - floor_low, 1e-20)
        enough = power >= floor * 10 ** (LEAST_EXCESS_DB / 10)
        own = power - floor if enough else None
    levels = {name: float(part[place]) for name, part in parts.items()}
    return BandShare(
        band,
        rms_dbfs(power),
        None if own is None else rms_dbfs(own),
        rms_dbfs(own_low) if own_low > 0 else None,
        rms_dbfs(own_high),
        {name: rms_dbfs(level) for name, level in levels.items() if level > 0},
        max(levels, key=lambda name: levels[name]) if any(levels.values()) else "nothing",
    )


def _gains(
    total: Reals, parts: dict[str, Reals], larger: Reals | None, tells_hum: bool
) -> dict[str, float]:
    whole = float(total.sum())
    gains = {"hum": _fall(whole, float(parts["hum"].sum()))} if tells_hum else {}
    if "interface" in parts:
        gains["perfect preamp"] = _fall(whole, float(parts["interface"].sum()))
    if larger is not None:
        gains["larger load"] = _fall(whole, float((parts["thermal"] - larger).sum()))
    return gains


def _fall(whole: float, part: float) -> float:
    """Fall of a level by taking a part out, dB, at most 120."""
    return min(max(-power_db(max(1 - part / whole, 1e-12)), 0.0), 120.0) if whole > 0 else 0.0


def _warnings(silence: Levels, interface: Levels | None, parts: dict[str, Reals]) -> list[str]:
    found = []
    total, hiss = silence.band_power, silence.band_hiss
    if interface is not None:
        high = total.interval()[1]
        low = interface.band_power.interval()[0]
        above = low > 1.12 * high  # 0.5 dB beyond both intervals
        if above.sum() >= 2:
            found.append(
                "The interface alone is noisier than the build in "
                f"{int(above.sum())} bands. An unplugged high-impedance input is no baseline: with "
                "nothing to load it, it hisses more than with a source. Close it with a dummy "
                "source: a capacitor, or coil and resistor, of the build's value on the same lead. "
                "Or the gain was lowered after it: record both again."
            )
    if "thermal" in parts:
        above = parts["thermal"] > 1.26 * hiss.interval()[1]
        if above.any():
            found.append(
                f"The thermal noise expected of the source lies above the floor in "
                f"{int(above.sum())} bands: check its values and the calibration."
            )
    return found


def _spans(flags: list[bool], shares: tuple[BandShare, ...]) -> str:
    """Names of runs of bands: "20 to 63, 100"."""
    runs: list[list[str]] = []
    for place, flag in enumerate(flags):
        if flag and place and flags[place - 1]:
            runs[-1].append(shares[place].band.name)
        elif flag:
            runs.append([shares[place].band.name])
    return ", ".join(run[0] if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)
