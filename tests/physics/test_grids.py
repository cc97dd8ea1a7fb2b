import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.physics.grids import covering_radius_mm, expected_points, missed_share

pitches = st.tuples(st.floats(1.0, 40.0), st.floats(1.0, 40.0))


@given(pitches, st.floats(0.1, 30.0))
def test_the_missed_share_is_that_of_discs_laid_down_evenly(pitch_mm, radius_mm):
    x, s = ((np.arange(200) + 0.5) / 200 * p for p in pitch_mm)
    to_x, to_s = np.minimum(x, pitch_mm[0] - x), np.minimum(s, pitch_mm[1] - s)
    counted = np.mean(np.hypot(to_x[:, None], to_s[None]) > radius_mm)
    assert missed_share(radius_mm, pitch_mm) == pytest.approx(counted, abs=0.01)


@given(pitches, st.floats(0.1, 30.0))
def test_what_covers_is_never_missed(pitch_mm, radius_mm):
    assert missed_share(covering_radius_mm(pitch_mm), pitch_mm) == 0
    assert expected_points(radius_mm, pitch_mm) + missed_share(radius_mm, pitch_mm) >= 1 - 1e-9
