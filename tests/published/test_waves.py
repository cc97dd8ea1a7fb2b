"""Ultrasound arithmetic against values from outside."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j1

from tapscan.physics.waves import (
    attenuation_db_mm,
    depth_mm,
    half_angle_deg,
    impedance_mrayl,
    near_field_mm,
    reflection,
    time_of_flight_us,
    transmitted_energy,
    two_point_calibration,
)

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
    assert float(transmitted_energy(LAMINATE, behind)) == pytest.approx(energy, abs=2e-5)


def test_steel_block_times():
    # ISO 2400 block, c = 5920 m/s (from memory): 25 mm and 100 mm; 100 mm of shear at 3255 m/s.
    assert time_of_flight_us([25.0, 100.0], 5920.0) == pytest.approx([8.445946, 33.783784], abs=1e-6)
    assert float(time_of_flight_us(100.0, 3255.0)) == pytest.approx(61.443932, abs=1e-6)


def test_one_ply():
    # 0.125 mm at 3000 m/s there and back, and 5 mm (computed elsewhere; E797: the time is the round trip).
    assert time_of_flight_us([0.125, 5.0], 3000.0) == pytest.approx([0.083333, 3.333333], abs=1e-6)
    assert float(depth_mm(3.333333, 3000.0)) == pytest.approx(5.0, abs=1e-6)


def test_two_point_calibration():
    # ASTM E797 (from memory): c = 3000 m/s, zero 0.35 µs, thicknesses 2 and 10 mm.
    found = two_point_calibration((2.0, 10.0), (1.683333, 7.016667))
    assert found.velocity_m_s == pytest.approx(3000.0, rel=1e-6)
    assert found.zero_us == pytest.approx(0.35, abs=1e-5)


def test_near_field():
    # University teaching page on ultrasonic testing: 2.25 MHz, 0.375 in, brass 0.1685e6 in/s → 0.469 in.
    inch_mm = 25.4
    found = float(near_field_mm(0.375 * inch_mm, 2.25, 0.1685e6 * inch_mm * 1e-3)) / inch_mm
    assert found == pytest.approx(0.469, abs=1e-3)
    # Against the exact (D² - λ²) / 4λ for 12.7 mm, 5 MHz, 3000 m/s.
    assert float(near_field_mm(12.7, 5.0, 3000.0)) == pytest.approx((12.7**2 - 0.6**2) / (4 * 0.6), rel=3e-3)


def test_half_angle_constant():
    # Handbooks print 0.51 (from memory); here the root of the piston's directivity itself.
    edge = brentq(lambda x: 2 * j1(x) / x - 10 ** (-3.010299957 / 20), 0.5, 3.0)
    sine = edge / np.pi * 0.6 / 12.7
    assert float(half_angle_deg(12.7, 5.0, 3000.0)) == pytest.approx(np.degrees(np.arcsin(sine)), rel=2e-4)


def test_attenuation_from_two_back_walls():
    # Plane-wave bookkeeping (from memory): 1.2 dB/mm in 2 mm between faces that reflect 0.9 and 0.8.
    second = 10 ** (-1.2 * 4 / 20) * 0.9 * 0.8
    loss_db = -20 * np.log10(0.9 * 0.8)
    assert float(attenuation_db_mm(1.0, second, 2.0, loss_db)) == pytest.approx(1.2)
