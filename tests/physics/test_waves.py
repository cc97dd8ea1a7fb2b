import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.physics.waves import (
    attenuation_db_mm,
    depth_mm,
    half_angle_deg,
    near_field_mm,
    reflection,
    time_of_flight_us,
    transmitted_energy,
    two_point_calibration,
)

impedances = st.floats(1e-4, 100)


@given(impedances, impedances)
def test_energy_is_kept_and_the_way_back_turns_the_sign(first, second):
    there, back = float(reflection(first, second)), float(reflection(second, first))
    assert there == pytest.approx(-back)
    assert there**2 + float(transmitted_energy(first, second)) == pytest.approx(1)


@given(st.floats(0.01, 100), st.floats(500, 7000))
def test_depth_and_time_are_inverse(depth, velocity):
    assert float(depth_mm(time_of_flight_us(depth, velocity), velocity)) == pytest.approx(depth)


@given(st.floats(500, 7000), st.floats(-1, 1), st.floats(0.1, 5), st.floats(0.5, 20))
def test_calibration_finds_what_made_the_times(velocity, zero, thin, more):
    thickness = thin, thin + more
    times = tuple(float(t) + zero for t in time_of_flight_us(thickness, velocity))
    found = two_point_calibration(thickness, times)
    assert (found.velocity_m_s, found.zero_us) == pytest.approx((velocity, zero), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("thickness", [(2.0, 2.0), (2.0, 4.0)])
def test_calibration_refuses_what_makes_no_velocity(thickness):
    with pytest.raises(ValueError, match="must take longer"):
        two_point_calibration(thickness, (3.0, 2.0))


def test_a_small_probe_has_no_half_angle():
    assert np.isnan(half_angle_deg(0.1, 1.0, 3000.0))
    assert float(near_field_mm(0.1, 1.0, 3000.0)) < 0.001


def test_no_loss_where_echoes_are_alike():
    assert attenuation_db_mm([1.0, -2.0], [1.0, 2.0], 1.0).tolist() == [0.0, 0.0]
