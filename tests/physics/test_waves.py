import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.physics.waves import reflection, time_of_flight_us
from tapscan.signals import depth_mm

impedances = st.floats(1e-4, 100)


@given(impedances, impedances)
def test_the_way_back_turns_the_sign_and_no_echo_is_louder_than_its_sound(first, second):
    there, back = float(reflection(first, second)), float(reflection(second, first))
    assert there == pytest.approx(-back)
    assert abs(there) <= 1


@given(st.floats(0.01, 100), st.floats(500, 7000))
def test_depth_and_time_are_inverse(depth, velocity):
    time_s = time_of_flight_us(depth, velocity) * 1e-6
    assert float(depth_mm(time_s, velocity)) == pytest.approx(depth)
