"""Thermal noise against worked values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from cleanchain.errors import SettingError
from cleanchain.measure.thermal import BOLTZMANN, ROOM_K, ElectricalSource

#: An open load: all that is there is the source.
OPEN_OHM = 1e15


def dbu(volts: float) -> float:
    return 20 * math.log10(volts / math.sqrt(0.6))


@pytest.mark.parametrize(
    ("ohm", "microvolts", "level_dbu"),
    [
        (150, 0.220, -130.92),
        (1e3, 0.569, -122.68),
        (10e3, 1.799, -112.68),
        (250e3, 9.00, -98.70),
        (1e6, 17.99, -92.68),
        (10e6, 56.9, -82.68),
    ],
)
def test_resistors_hiss_by_johnson_and_nyquist(
    ohm: float, microvolts: float, level_dbu: float
) -> None:
    # sqrt(4 k T R B) over a bandwidth of 20 kHz at 20 C; the band here begins at 0.
    level = ElectricalSource(OPEN_OHM, resistance_ohm=ohm).level_v(1e-6, 20_000)
    assert 1e6 * level == pytest.approx(microvolts, rel=4e-3)
    assert dbu(level) == pytest.approx(level_dbu, abs=0.01)


def test_a_megohm_has_127_nv_per_root_hz() -> None:
    density = ElectricalSource(OPEN_OHM, resistance_ohm=1e6).density_v2(np.array([1000.0]))[0]
    assert 1e9 * math.sqrt(density) == pytest.approx(127.24, abs=0.01)


@pytest.mark.parametrize(("farad", "microvolts"), [(1e-9, 2.01), (10e-9, 0.636), (20e-9, 0.450)])
@pytest.mark.parametrize("load_ohm", [1e5, 1e7])
def test_a_resistor_beside_a_capacitor_has_kt_over_c(
    farad: float, microvolts: float, load_ohm: float
) -> None:
    # sqrt(k T / C) over all frequencies, whatever the resistance.
    level = ElectricalSource(load_ohm, capacitance_f=farad).level_v(1e-4, 1e7)
    assert 1e6 * level == pytest.approx(microvolts, rel=4e-3)
    assert level == pytest.approx(math.sqrt(BOLTZMANN * ROOM_K / farad), rel=4e-3)


def test_a_larger_bias_resistor_is_quieter() -> None:
    # 15 nF at 1 Mohm and at 10 Mohm, 20 Hz to 20 kHz.
    one, ten = (ElectricalSource(ohm, capacitance_f=15e-9) for ohm in (1e6, 1e7))
    assert 1e6 * one.level_v() == pytest.approx(0.289, abs=5e-4)
    assert 1e6 * ten.level_v() == pytest.approx(0.0954, abs=5e-5)
    assert one.corner_hz == pytest.approx(10.6, abs=0.02)


@pytest.mark.parametrize(("load_ohm", "level_dbu"), [(50e3, -125), (1e6, -131), (10e6, -141)])
def test_a_disc_of_20_nf(load_ohm: float, level_dbu: float) -> None:
    level = ElectricalSource(load_ohm, capacitance_f=20e-9).level_v()
    assert dbu(level) == pytest.approx(level_dbu, abs=0.5)


def test_an_unplugged_input_hisses_more_than_one_with_its_disc() -> None:
    # k T / C, of which a band holds the part between the arctangents of its edges over the corner:
    # 1 Mohm with 100 pF of stray capacitance: -102 dBu; with a disc of 20 nF: -131 dBu.
    for farad, level_dbu in ((100e-12, -102), (20e-9, -131)):
        source = ElectricalSource(1e6, capacitance_f=farad)
        corner_hz = 1 / (2 * math.pi * 1e6 * farad)
        share = 2 / math.pi * (math.atan(20_000 / corner_hz) - math.atan(20 / corner_hz))
        expected = math.sqrt(BOLTZMANN * ROOM_K / farad * share)
        assert source.level_v() == pytest.approx(expected, rel=1e-5)
        assert dbu(source.level_v()) == pytest.approx(level_dbu, abs=0.5)


def test_dielectric_loss_by_its_closed_form() -> None:
    # sqrt(4 k T tan d / (2 pi f C (1 + tan^2 d))): 15 nF, 0.02: 1.854 nV per root Hz at 1 kHz,
    # 0.154 uV from 20 Hz to 20 kHz.
    lossy = ElectricalSource(OPEN_OHM, capacitance_f=15e-9, loss=0.02)
    density = lossy.density_v2(np.array([1000.0]))[0]
    assert 1e9 * math.sqrt(density) == pytest.approx(1.854, abs=1e-3)
    assert 1e6 * lossy.level_v() == pytest.approx(0.154, abs=5e-4)


def test_the_hump_of_a_coil_is_physics() -> None:
    # 3 H, 6 kohm, 650 pF, 1 Mohm: 9.8 nV per root Hz low down, 84 at the resonance at 3.6 kHz.
    coil = ElectricalSource(1e6, resistance_ohm=6e3, inductance_h=3.0, cable_f=650e-12)
    assert coil.resonance_hz == pytest.approx(3604, abs=1)
    low, top = (1e9 * np.sqrt(coil.density_v2(np.array([hz]))[0]) for hz in (20.0, 3604.0))
    assert low == pytest.approx(9.8, abs=0.1)
    assert top == pytest.approx(84, abs=1)
    assert dbu(coil.level_v()) == pytest.approx(-110, abs=0.5)


@pytest.mark.parametrize(
    ("farad", "loss_db"), [(0.5e-9, 6.0), (1e-9, 3.5), (10e-9, 0.4), (20e-9, 0.2)]
)
def test_a_lead_of_500_pf_takes_from_a_disc(farad: float, loss_db: float) -> None:
    source = ElectricalSource(1e6, capacitance_f=farad, cable_f=500e-12)
    assert source.cable_loss_db == pytest.approx(loss_db, abs=0.05)


def test_what_is_no_source_is_refused() -> None:
    for values in ({}, {"capacitance_f": 1e-9, "resistance_ohm": 1e3}, {"capacitance_f": -1e-9}):
        with pytest.raises(SettingError):
            ElectricalSource(1e6, **values)
