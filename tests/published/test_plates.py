"""Plates and beams against values from outside."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import i0, i1, j0, j1

from tapscan.physics.plates import (
    CLAMPED_MODAL_MASS_FRACTION,
    Plate,
    clamped_circle_eigenvalue,
    clamped_circle_hz,
    clamped_circle_shape,
    clamped_point_stiffness_n_m,
    flexural_rigidity_newton_m,
    simply_supported_rectangle_hz,
)
from tapscan.physics.shells import Tube, free_beam_roots, tube_mode_hz

# Leissa, Vibration of Plates, NASA SP-160, ch. 2: printed there to 4 or 5 figures (from memory), here to 5
# decimals as computed with another program.
CLAMPED = {
    (0, 0): 10.21583, (0, 1): 39.77115, (0, 2): 89.10414,
    (1, 0): 21.26040, (1, 1): 60.82867, (1, 2): 120.07924,
    (2, 0): 34.87704, (2, 1): 84.58265, (2, 2): 153.81508,
    (3, 0): 51.03004, (3, 1): 111.02141, (3, 2): 190.30378,
}  # fmt: skip


@pytest.mark.parametrize(("mode", "eigenvalue"), CLAMPED.items())
def test_clamped_circle(mode, eigenvalue):
    assert clamped_circle_eigenvalue(*mode) == pytest.approx(eigenvalue, abs=6e-6)


@pytest.mark.parametrize(
    ("mode", "handbook"),
    [((0, 0), 11.84), ((1, 0), 24.61), ((2, 0), 40.41), ((0, 1), 46.14), ((0, 2), 103.12)],
)
def test_clamped_circle_against_the_handbook(mode, handbook):
    # Harris, Shock and Vibration Handbook, as printed on a public engineering page: ω = B √(E t² / [ρ d⁴
    # (1-ν²)]) with d the diameter. Its B are 0.2 to 0.5 % above the exact roots.
    plate = Plate(1.0, 70.0, 0.3, 2700.0)
    diameter_m, thickness_m = 0.05, 1e-3
    printed = (
        handbook * np.sqrt(70e9 * thickness_m**2 / (2700.0 * diameter_m**4 * (1 - 0.3**2))) / (2 * np.pi)
    )
    assert float(clamped_circle_hz(plate, 25.0, *mode)) == pytest.approx(printed, rel=5e-3)


@pytest.mark.parametrize(("halfwaves", "handbook"), [((1, 1), 5.70), ((2, 1), 14.26)])
def test_supported_square_against_the_handbook(halfwaves, handbook):
    # The same page, simply supported square of side d.
    plate = Plate(1.0, 70.0, 0.3, 2700.0)
    printed = handbook * np.sqrt(70e9 * 1e-6 / (2700.0 * 0.05**4 * (1 - 0.3**2))) / (2 * np.pi)
    assert float(simply_supported_rectangle_hz(plate, (50.0, 50.0), halfwaves)) == pytest.approx(
        printed, rel=5e-3
    )


def test_worked_plates():
    # Computed elsewhere: aluminium 1 mm, a = 20 mm; and a laminate-like isotropic 0.5 mm, a = 10 mm.
    aluminium, laminate = Plate(1.0, 70.0, 0.33, 2700.0), Plate(0.5, 55.0, 0.05, 1600.0)
    assert float(clamped_circle_hz(aluminium, 20.0)) == pytest.approx(6329.17, abs=0.01)
    assert float(clamped_point_stiffness_n_m(aluminium, 20.0)) == pytest.approx(8.22622e5, rel=1e-6)
    assert flexural_rigidity_newton_m(laminate) == pytest.approx(0.574353, abs=1e-6)
    assert float(clamped_circle_hz(laminate, 10.0)) == pytest.approx(13776.47, abs=0.01)
    assert float(clamped_point_stiffness_n_m(laminate, 10.0)) == pytest.approx(2.887e5, rel=1e-5)


def test_point_stiffness_against_the_printed_deflection():
    # w(r) = P/(16πD) · (a² - r² (1 + 2 ln(a/r))) under a centre load (public text); reciprocity and r → 0
    # give k.
    plate, radius_m = Plate(0.6, 60.0, 0.3, 1550.0), 0.015
    r = 1e-9
    deflection = (radius_m**2 - r**2 * (1 + 2 * np.log(radius_m / r))) / (
        16 * np.pi * flexural_rigidity_newton_m(plate)
    )
    assert float(clamped_point_stiffness_n_m(plate, 15.0)) == pytest.approx(1 / deflection, rel=1e-9)


def test_modal_mass():
    # The integral of the first mode, done here by quadrature; the fraction was computed elsewhere.
    mean_square, _ = quad(lambda r: 2 * r * float(clamped_circle_shape(r)) ** 2, 0, 1)
    assert mean_square == pytest.approx(CLAMPED_MODAL_MASS_FRACTION, abs=1e-6)


def test_shape_is_clamped_and_solves_the_plate_equation():
    root = np.sqrt(10.21583)
    ratio = j0(root) / i0(root)
    # Slope at the edge, from the derivatives of the Bessel functions.
    assert -root * (j1(root) + ratio * i1(root)) == pytest.approx(0.0, abs=1e-5)
    assert clamped_circle_shape([0.0, 1.0, 1.5]).tolist() == pytest.approx([1.0, 0.0, 0.0], abs=1e-12)


def test_free_beam():
    # Blevins, Formulas for Natural Frequency and Mode Shape (from memory); roots computed elsewhere to 8
    # figures.
    assert free_beam_roots(3) == pytest.approx([4.7300407, 7.8532046, 10.9956078], abs=5e-8)
    # A steel bar 100 x 5 mm, E = 206.8 GPa, ρ = 7850: 2637.97 Hz by Euler-Bernoulli (computed elsewhere). A
    # thin tube with R = t/√6 has the same radius of gyration; bent along a hundred times that length it is
    # within 1e-5 of that beam, whose frequency falls with the square of the length.
    bar = Tube(5.0 / np.sqrt(6), Plate(0.01, 206.8, 0.3, 7850.0))
    found = float(tube_mode_hz(bar, free_beam_roots(1)[0] / 10_000.0, 1))
    assert found == pytest.approx(2637.97 / 100**2, rel=1e-4)
