import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.synth.defects import Defect, distance_mm, true_mask
from tests.synth.zones import panel, tube


@given(x_mm=st.floats(0, 80), s_mm=st.floats(0, 120), radius_mm=st.floats(1, 40), turn=st.integers(0, 23))
def test_a_defect_moved_round_the_tube_moves_its_points_and_nothing_else(x_mm, s_mm, radius_mm, turn):
    here, there = Defect(x_mm, s_mm, radius_mm, 0.5), Defect(x_mm, s_mm + 10.0 * turn, radius_mm, 0.5)
    before, after = distance_mm(tube(), here), distance_mm(tube(), there)
    assert after == pytest.approx(np.roll(before, turn, axis=1), abs=1e-9)


def test_a_panel_has_no_seam():
    mask = true_mask(panel(), [Defect(20.0, 0.0, 8.0, 0.5)])
    assert mask[:, :2].any()
    assert not mask[:, 4:].any()


def test_masks_are_joined():
    defects = [Defect(15.0, 30.0, 12.0, 0.5), Defect(65.0, 90.0, 12.0, 0.7)]
    assert (
        true_mask(tube(), defects) == true_mask(tube(), defects[:1]) | true_mask(tube(), defects[1:])
    ).all()
    assert not true_mask(tube(), []).any()


def test_marked_area_is_that_of_the_disc():
    zone = tube(stations=80, positions=120, girth="girth_mm = 1200.0")
    centres = np.random.default_rng(1).uniform((250, 0), (550, 1200), (50, 2))
    found = [true_mask(zone, [Defect(x_mm, s_mm, 150.0, 0.5)]).sum() * 100.0 for x_mm, s_mm in centres]
    assert np.mean(found) == pytest.approx(np.pi * 150.0**2, rel=0.003)


def test_on_a_taper_a_defect_keeps_its_angle():
    zone = tube(girth="girth_start_mm = 100.0\ngirth_end_mm = 200.0")
    opposite = np.interp(40.0, [0, 80], [100, 200]) / 2  # half a turn at the middle of the zone
    distance = distance_mm(zone, Defect(40.0, float(opposite), 10.0, 0.5))
    assert (distance.argmin(axis=1) == 6).all()
