import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.physics.contact import (
    contact_time_us,
    half_sine_transform,
    peak_force_n,
    series_stiffness_n_m,
)

positive = st.floats(1e-3, 1e9)


@given(st.lists(positive, min_size=1, max_size=5))
def test_springs_in_a_row_are_softer_than_the_softest(springs):
    assert float(series_stiffness_n_m(*springs)) <= min(springs) * (1 + 1e-12)


@given(mass_g=st.floats(0.1, 100), stiffness=st.floats(1e3, 1e9), speed=st.floats(0.01, 10))
def test_impulse_is_twice_the_momentum(mass_g, stiffness, speed):
    # The mass comes back as fast as it came; the area under a half-sine is 2/π of its box.
    duration_s = float(contact_time_us(mass_g, stiffness)) * 1e-6
    area_s = abs(complex(half_sine_transform(0.0, duration_s)))
    impulse = float(peak_force_n(speed, mass_g, stiffness)) * area_s
    assert impulse == pytest.approx(2 * mass_g * 1e-3 * speed)


def test_a_rigid_link_changes_nothing():
    assert float(series_stiffness_n_m(2.0, float("inf"), float("inf"))) == 2.0
