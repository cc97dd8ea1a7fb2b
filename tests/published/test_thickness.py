"""Thickness against formulas that others published."""

import numpy as np
import pytest

from tapscan.signals import depth_mm


def test_thickness_from_two_steps_of_known_thickness():
    # ASTM E797 (from memory): velocity and zero from two known thicknesses, c = 2 Δd / Δt, zero = t₁ − 2 d₁ /
    # c. c = 3000 m/s, zero = 0.35 µs, steps 2 and 10 mm: 1.683333 and 7.016667 µs (computed).
    time_s = np.array([1.683333e-6, 7.016667e-6])
    velocity_m_s = 2 * (10 - 2) * 1e-3 / (time_s[1] - time_s[0])
    zero_s = time_s[0] - 2 * 2e-3 / velocity_m_s
    assert velocity_m_s == pytest.approx(3000, rel=1e-6)
    assert zero_s == pytest.approx(0.35e-6, rel=1e-5)
    np.testing.assert_allclose(depth_mm(time_s - zero_s, velocity_m_s), [2, 10], rtol=1e-6)
    # Five millimetres at 3000 m/s take 3.333333 µs there and back (computed).
    assert depth_mm(3.333333e-6, 3000.0) == pytest.approx(5.0, rel=1e-6)
