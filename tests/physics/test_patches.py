import numpy as np
import pytest

from tapscan.physics.patches import curved_circle_hz, curved_point_stiffness_n_m, curving
from tapscan.physics.plates import (
    Plate,
    clamped_circle_eigenvalue,
    clamped_circle_hz,
    clamped_point_stiffness_n_m,
)

PATCH = Plate(0.5, 60.0, 0.3, 1550.0)
FLAT = float("inf")


@pytest.mark.parametrize("poisson", [0.05, 0.3, 0.45])
def test_flat_it_is_the_clamped_plate(poisson):
    plate = Plate(0.5, 60.0, poisson, 1550.0)
    assert curving(plate, 10.0, FLAT) == 0
    assert curved_circle_hz(plate, 10.0, FLAT) == pytest.approx(
        float(clamped_circle_hz(plate, 10.0)), rel=1e-9
    )
    stiffness = float(clamped_point_stiffness_n_m(plate, 10.0))
    assert curved_point_stiffness_n_m(plate, 10.0, FLAT) == pytest.approx(stiffness, rel=1e-9)


def test_only_the_one_number_counts():
    # Twice as thick, twice as wide, on a tube of twice the radius: the same shape, larger.
    large = Plate(1.0, 60.0, 0.3, 1550.0)
    assert curving(large, 20.0, 40.0) == pytest.approx(curving(PATCH, 10.0, 20.0))
    ratios = [curved_circle_hz(p, a, r) / float(clamped_circle_hz(p, a)) for p, a, r in
              ((PATCH, 10.0, 20.0), (large, 20.0, 40.0))]  # fmt: skip
    assert ratios[0] == pytest.approx(ratios[1])


def test_stretching_only_ever_stiffens_and_never_more_than_if_nothing_could_slide():
    # With the surface kept from sliding, the flat mode's energy grows by Λ times its own mass: Rayleigh's
    # bound on the lowest note.
    last_hz, last_n_m = 0.0, 0.0
    for tube_mm in (1e4, 300.0, 100.0, 50.0, 25.0):
        hz = curved_circle_hz(PATCH, 10.0, tube_mm)
        stiffness = curved_point_stiffness_n_m(PATCH, 10.0, tube_mm)
        bound = np.sqrt(1 + curving(PATCH, 10.0, tube_mm) / clamped_circle_eigenvalue() ** 2)
        assert 1 < hz / float(clamped_circle_hz(PATCH, 10.0)) < bound
        assert hz > last_hz
        assert stiffness > last_n_m
        last_hz, last_n_m = hz, stiffness


@pytest.mark.parametrize("tube_mm", [10.0, 20.0, 60.0, 500.0])
def test_stiffness_and_note_fall_with_the_radius(tube_mm):
    radii = np.geomspace(2.0, 15.0, 12)
    for law in (curved_circle_hz, curved_point_stiffness_n_m):
        assert (np.diff([law(PATCH, float(a), tube_mm) for a in radii]) < 0).all()
