"""Thermal noise of a source at its load: what no preamp can take away."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanchain.errors import SettingError

Reals = NDArray[np.float64]

#: Boltzmann constant, J/K (exact, SI 2019), and the room's temperature, K.
BOLTZMANN, ROOM_K = 1.380649e-23, 293.15


@dataclass(frozen=True)
class ElectricalSource:
    """A pickup, its lead and the input that it drives, as a network.

    Parameters
    ----------
    load_ohm : float
        Input or bias resistance, > 0.
    capacitance_f : float, optional
        Of a ceramic element; 0 for a coil.
    loss : float, optional
        Its dielectric loss factor tan d, 0.001 to 0.05 for usual ceramics.
    resistance_ohm, inductance_h : float, optional
        Of a coil; 0 for a ceramic element. A resistance alone is a resistive source.
    cable_f : float, optional
        Capacitance of the lead and the input.

    Raises
    ------
    SettingError
        If a value is negative, or there is neither an element nor a coil.
    """

    load_ohm: float
    capacitance_f: float = 0.0
    loss: float = 0.0
    resistance_ohm: float = 0.0
    inductance_h: float = 0.0
    cable_f: float = 0.0

    def __post_init__(self) -> None:
        values = (self.capacitance_f, self.loss, self.resistance_ohm, self.inductance_h)
        if self.load_ohm <= 0 or min(*values, self.cable_f) < 0:
            raise SettingError("resistances and capacitances of a source are above zero")
        if bool(self.capacitance_f) == bool(self.resistance_ohm or self.inductance_h):
            raise SettingError(
                "a source is a capacitance, or a coil of resistance and inductance",
                fix="Give --source-capacitance, or --source-resistance and --source-inductance.",
            )

    def density_v2(self, frequency_hz: Reals, kelvin: float = ROOM_K) -> Reals:
        """Thermal noise at the input, V^2/Hz: 4 k T Re(Z) of the whole network (Nyquist 1928)."""
        s = 2j * np.pi * np.maximum(np.asarray(frequency_hz, dtype=float), 1e-3)
        admittance = 1 / self.load_ohm + s * self.cable_f
        if self.capacitance_f:
            admittance = admittance + s * self.capacitance_f * (1 - 1j * self.loss)
        else:
            admittance = admittance + 1 / (self.resistance_ohm + s * self.inductance_h)
        density: Reals = 4 * BOLTZMANN * kelvin * (1 / admittance).real
        return density

    def level_v(self, low_hz: float = 20.0, high_hz: float = 20_000.0) -> float:
        """Rms voltage of the thermal noise between two frequencies."""
        edges = np.geomspace(low_hz, high_hz, 20_001)
        density = self.density_v2(np.sqrt(edges[1:] * edges[:-1]))
        return float(np.sqrt((density * np.diff(edges)).sum()))

    @property
    def corner_hz(self) -> float | None:
        """Below it a ceramic element loses 6 dB an octave into its load; None for a coil."""
        if not self.capacitance_f:
            return None
        return 1 / (2 * math.pi * self.load_ohm * (self.capacitance_f + self.cable_f))

    @property
    def cable_loss_db(self) -> float | None:
        """What the lead's capacitance takes from a ceramic element, dB; None for a coil."""
        if not self.capacitance_f:
            return None
        return 20 * math.log10(1 + self.cable_f / self.capacitance_f)

    @property
    def resonance_hz(self) -> float | None:
        """Where a coil resonates with its lead; a hump of the noise there is physics."""
        if not (self.inductance_h and self.cable_f):
            return None
        return 1 / (2 * math.pi * math.sqrt(self.inductance_h * self.cable_f))
