import numpy as np
import pytest

from tapscan.physics.detectability import (
    Listening,
    Tapper,
    ascan_reach,
    contact_stiffness_n_m,
    stiffness_limit_n_m,
    tap_reach,
    yielding_stiffness_n_m,
)
from tapscan.physics.patches import curved_circle_hz, curved_point_stiffness_n_m
from tapscan.physics.plates import Plate, clamped_circle_hz, clamped_point_stiffness_n_m

WALL = Plate(1.6, 60.0, 0.3, 1550.0)


@pytest.mark.parametrize("depth_mm", [0.2, 0.6, 1.0, 1.4])
def test_a_reported_patch_meets_one_condition_and_no_smaller_one_does(depth_mm):
    seen = tap_reach(WALL, depth_mm, (1.0, 1.0))
    patch = Plate(depth_mm, 60.0, 0.3, 1550.0)
    limit_n_m = stiffness_limit_n_m(Tapper(), WALL, Listening().contact_gpa)
    stiffness = float(clamped_point_stiffness_n_m(patch, seen.detectable_mm))
    note_hz = float(clamped_circle_hz(patch, seen.detectable_mm))
    assert min(stiffness / limit_n_m, note_hz / 16_000) == pytest.approx(1.0)


@pytest.mark.parametrize("depth_mm", [0.2, 0.4, 0.6, 0.8])
def test_on_a_tube_a_patch_must_be_wider_by_its_own_curved_law(depth_mm):
    flat, curved = (tap_reach(WALL, depth_mm, (1.0, 1.0), tube_radius_mm=r) for r in (np.inf, 40.0))
    patch = Plate(depth_mm, 60.0, 0.3, 1550.0)
    limit_n_m = stiffness_limit_n_m(Tapper(), WALL, Listening().contact_gpa)
    assert curved.softness_mm >= 0.98 * flat.softness_mm
    assert curved.note_mm > 1.2 * flat.note_mm
    assert curved_point_stiffness_n_m(patch, curved.softness_mm, 40.0) == pytest.approx(limit_n_m, rel=1e-4)
    assert curved_circle_hz(patch, curved.note_mm, 40.0) == pytest.approx(16_000, rel=1e-4)


def test_on_a_narrow_tube_no_deep_patch_is_promised():
    seen = tap_reach(WALL, 1.2, (10.0, 10.0), tube_radius_mm=19.1)
    assert np.isinf([seen.softness_mm, seen.note_mm, seen.detectable_mm, seen.reach.radius_mm]).all()
    assert seen.reach.limit == "too stiff"
    assert not seen.is_shallow


def test_a_tube_as_wide_as_a_wall_is_flat():
    flat, wide = (tap_reach(WALL, 0.8, (1.0, 1.0), tube_radius_mm=r) for r in (np.inf, 1e5))
    assert wide.detectable_mm == pytest.approx(flat.detectable_mm, rel=1e-4)


@pytest.mark.parametrize("tapper", [Tapper(), Tapper(mass_g=8.0, radius_mm=10.0, force_n=80.0)])
def test_at_the_limit_the_contact_lengthens_as_it_did_where_it_was_measured(tapper):
    # The share of the contact time is what is carried over from aluminium to laminate.
    aluminium_n_m = contact_stiffness_n_m(tapper, 70.0 / (1 - 0.33**2))
    good_n_m = yielding_stiffness_n_m(tapper, contact_stiffness_n_m(tapper, 10.0), WALL)
    limit_n_m = stiffness_limit_n_m(tapper, WALL, 10.0)
    # Springs in series: τ/τ₀ = √(1 + kc/kd), so equal ratios of stiffness lengthen alike.
    assert good_n_m / limit_n_m == pytest.approx(aluminium_n_m / 30e6)


def test_deeper_delaminations_must_be_wider_and_heavier_tappers_feel_less():
    radii = [tap_reach(WALL, depth, (5.0, 5.0)).detectable_mm for depth in (0.2, 0.4, 0.8, 1.2)]
    assert radii == sorted(radii)
    light, heavy = (tap_reach(WALL, 0.8, (5.0, 5.0), Tapper(mass_g=m)).softness_mm for m in (2.0, 20.0))
    assert light < heavy


def test_a_yielding_wall_is_softer_than_the_contact_alone():
    thick, thin = (yielding_stiffness_n_m(Tapper(), 4e6, Plate(t, 60.0, 0.3, 1550.0)) for t in (20.0, 1.0))
    assert thin < 0.5 * thick
    assert thick < 4e6


def test_the_yielding_wall_against_the_equation_of_motion():
    # Mass on a spring on a dashpot, integrated step by step: how long the spring pushes. The closed form
    # takes the dashpot for a spring: right where the wall yields little, only of the order elsewhere.
    tapper, contact_n_m = Tapper(), 4.36e6
    wall = Plate(6.0, 60.0, 0.3, 1550.0)
    rigidity = 60e9 * 6e-3**3 / 12 / 0.91
    impedance = 8 * np.sqrt(rigidity * 1550 * 6e-3)
    step_s, force, speed, time_s = 1e-8, 0.0, 1.0, 0.0
    while force >= 0:
        speed -= step_s * force / 4.1e-3
        force += step_s * contact_n_m * (speed - force / impedance)
        time_s += step_s
    expected_s = np.pi * np.sqrt(4.1e-3 / yielding_stiffness_n_m(tapper, contact_n_m, wall))
    assert expected_s == pytest.approx(time_s, rel=0.1)


def test_a_wide_pitch_is_what_limits():
    assert tap_reach(WALL, 0.4, (5.0, 5.0)).reach.limit == "softness"
    assert tap_reach(WALL, 1.4, (5.0, 5.0)).reach.limit == "its note"
    wide = tap_reach(WALL, 0.4, (30.0, 40.0)).reach
    assert (wide.limit, wide.radius_mm) == ("the pitch", 25.0)
    assert wide.missed_share > 0.7


def test_thick_patches_are_reported_to_be_outside_the_formulas():
    assert tap_reach(WALL, 0.4, (5.0, 5.0)).is_thin
    ultrasonic = Listening(highest_hz=1e6)
    assert not tap_reach(Plate(20.0, 60.0, 0.3, 1550.0), 0.2, (5.0, 5.0), listening=ultrasonic).is_thin


@pytest.mark.parametrize("depth_mm", [0.0, 1.6, 2.0, -1.0])
def test_a_depth_outside_the_wall_is_refused(depth_mm):
    with pytest.raises(ValueError, match=r"is within the wall of 1\.6 mm \(got a depth of"):
        tap_reach(WALL, depth_mm, (5.0, 5.0))


def test_an_ascan_reaches_nearer_with_a_higher_frequency_and_no_deeper_than_the_wall():
    slow, fast = (ascan_reach(2.4, 2950.0, f, (4.0, 4.0)) for f in (5.0, 10.0))
    assert fast.shallowest_mm == pytest.approx(slow.shallowest_mm / 2)
    assert slow.deepest_mm == pytest.approx(2.4 - slow.shallowest_mm)
    assert slow.radius_mm is None
    assert ascan_reach(2.4, 2950.0, 5.0, (4.0, 4.0), beam_mm=8.0).reach.limit == "the beam"
    with pytest.raises(ValueError, match="are all above 0"):
        ascan_reach(2.4, 2950.0, 0.0, (4.0, 4.0))
