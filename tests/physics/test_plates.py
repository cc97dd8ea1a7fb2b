import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.physics.plates import (
    Plate,
    clamped_circle_eigenvalue,
    clamped_circle_hz,
    clamped_circle_shape,
    clamped_point_stiffness_n_m,
    flexural_rigidity_newton_m,
    simply_supported_rectangle_hz,
)

PLATE = Plate(0.6, 60.0, 0.3, 1550.0)
sizes = st.floats(0.1, 1e3)


@given(scale=st.floats(0.1, 10.0), radius_mm=sizes)
def test_a_plate_scaled_in_all_directions_sounds_lower_by_the_scale(scale, radius_mm):
    scaled = Plate(PLATE.thickness_mm * scale, PLATE.modulus_gpa, PLATE.poisson, PLATE.density_kg_m3)
    before, after = clamped_circle_hz(PLATE, radius_mm), clamped_circle_hz(scaled, radius_mm * scale)
    assert float(after * scale) == pytest.approx(float(before), rel=1e-9)


@given(radius_mm=sizes, share=st.floats(0.0, 0.99))
def test_nothing_is_softer_than_the_centre(radius_mm, share):
    centre, beside = clamped_point_stiffness_n_m(PLATE, radius_mm, [0.0, share * radius_mm])
    assert beside >= centre


def test_stiffness_is_infinite_from_the_edge_on():
    assert np.isinf(clamped_point_stiffness_n_m(PLATE, 10.0, [10.0, 12.0, 1e6])).all()


def test_rigidity_grows_with_the_cube_of_thickness():
    double = Plate(1.2, 60.0, 0.3, 1550.0)
    assert flexural_rigidity_newton_m(double) == pytest.approx(8 * flexural_rigidity_newton_m(PLATE))


def test_radii_come_as_arrays():
    assert clamped_circle_hz(PLATE, np.ones((2, 3))).shape == (2, 3)


@pytest.mark.parametrize("diameters", [0, 1, 5, 12])
def test_roots_are_in_order_and_none_is_jumped_over(diameters):
    roots = np.sqrt([clamped_circle_eigenvalue(diameters, circles) for circles in range(6)])
    assert np.all((np.diff(roots) > 3.0) & (np.diff(roots) < 4.2))


def test_counts_of_nodal_lines_start_at_zero():
    with pytest.raises(ValueError, match="nodal lines are counted from 0"):
        clamped_circle_eigenvalue(-1)
    with pytest.raises(ValueError, match="nodal lines are counted from 0"):
        clamped_circle_eigenvalue(0, -1)


@pytest.mark.parametrize("circles", [0, 1, 2])
def test_mode_shape_has_that_many_nodal_circles(circles):
    shape = clamped_circle_shape(np.linspace(0, 0.999, 2000), circles)
    assert np.count_nonzero(np.diff(np.sign(shape))) == circles


def test_rectangle_is_symmetric_in_its_sides():
    one = simply_supported_rectangle_hz(PLATE, (50.0, 80.0), (2, 3))
    other = simply_supported_rectangle_hz(PLATE, (80.0, 50.0), (3, 2))
    assert float(one) == pytest.approx(float(other))
