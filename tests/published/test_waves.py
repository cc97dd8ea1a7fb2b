"""Ultrasound arithmetic against values from outside."""

import numpy as np
import pytest

from tapscan.physics.waves import impedance_mrayl, reflection, time_of_flight_us

LAMINATE = impedance_mrayl(1600.0, 3000.0)


@pytest.mark.parametrize(
    ("density", "velocity", "mrayl"), [(2700, 6300, 17.01), (7700, 5900, 45.43), (1180, 2670, 3.151)]
)
def test_impedance(density, velocity, mrayl):
    # Densities and velocities of aluminium, steel and acrylic: ASTM E494, Table X3.1, as printed publicly.
    assert float(impedance_mrayl(density, velocity)) == pytest.approx(mrayl, abs=5e-3)


@pytest.mark.parametrize(
    ("density", "velocity", "pressure", "decibel", "energy"),
    [
        (1.20458, 343.344, -0.99983, -0.001, 0.00034),
        (998.2072, 1482.346, -0.52874, -5.535, 0.72043),
        (1200.0, 2600.0, -0.21212, -13.468, 0.95500),
        (2180.0, 1350.0, -0.23983, -12.402, 0.94248),
        (2700.0, 6320.0, 0.56092, -5.022, 0.68537),
    ],
)
def test_reflection_from_laminate(density, velocity, pressure, decibel, energy):
    # From 4.8 MRayl into air, water, epoxy, a PTFE insert, aluminium: computed elsewhere; air and water
    # properties at 20 °C from the IAPWS-95 and CoolProp libraries.
    behind = impedance_mrayl(density, velocity)
    assert float(reflection(LAMINATE, behind)) == pytest.approx(pressure, abs=2e-5)
    assert 20 * np.log10(abs(float(reflection(LAMINATE, behind)))) == pytest.approx(decibel, abs=1e-3)
    assert 1 - float(reflection(LAMINATE, behind)) ** 2 == pytest.approx(energy, abs=2e-5)


def test_steel_block_times():
    # ISO 2400 block, c = 5920 m/s (from memory): 25 mm and 100 mm; 100 mm of shear at 3255 m/s.
    assert time_of_flight_us([25.0, 100.0], 5920.0) == pytest.approx([8.445946, 33.783784], abs=1e-6)
    assert float(time_of_flight_us(100.0, 3255.0)) == pytest.approx(61.443932, abs=1e-6)


def test_one_ply():
    # 0.125 mm at 3000 m/s there and back, and 5 mm (computed elsewhere; E797: the time is the round trip).
    assert time_of_flight_us([0.125, 5.0], 3000.0) == pytest.approx([0.083333, 3.333333], abs=1e-6)
