"""The tap path judged by tubes a third of which is damaged, and against tubes of bare modes.

Run ``python -m tests.independent.judge --what tap third rates modes`` for the tables.
"""

import numpy as np
import pytest

from tests.independent.judge import damaged_third, judge_tap_part, modes_verdicts

pytestmark = pytest.mark.slow


def test_with_a_third_damaged_most_of_it_is_called_the_rest_is_clear_and_the_bounds_hold() -> None:
    """Fine waves follow so much damage: by them alone 87 of the 164 points in it were called, 111 are now."""
    defects = damaged_third(np.random.default_rng([750, 13]), length_mm=400, girth_mm=120)
    (verdict,) = judge_tap_part(defects, 3750, "a third damaged")
    assert verdict.inside_suspect > 0.6 * verdict.inside_points
    assert verdict.false_calls <= 0.03 * verdict.far_points
    assert verdict.false_indications == 0
    covered = [holds for holds in verdict.covered if holds is not None]
    assert len(covered) >= len(defects) - 1  # one of them, 0.73 mm deep, is missed
    assert sum(covered) >= len(covered) - 2  # nine of ten hold over many such parts


def test_fine_waves_that_come_to_follow_the_damage_have_no_say() -> None:
    """By themselves they left out one reading in ten of this part, and found three of nine delaminations."""
    defects = damaged_third(np.random.default_rng([764, 13]), length_mm=400, girth_mm=120)
    (verdict,) = judge_tap_part(defects, 3764, "a third damaged")
    assert all(verdict.found)
    assert verdict.inside_suspect > 0.7 * verdict.inside_points
    assert verdict.false_calls <= 0.05 * verdict.far_points
    assert verdict.false_indications == 0


def test_modes_that_beat_leave_no_point_unread_and_hide_no_damage() -> None:
    """As double hits they left up to 169 of 480 points unread, and two of nine delaminations missed."""
    two, sound, third = modes_verdicts([0], str)
    assert two.unread == sound.unread == third.unread == 0
    assert all(two.found)
    assert all(third.found)
    assert all(two.covered)
    assert two.area > 0.95
    assert sum(v.false_indications for v in (two, sound, third)) == 0
    assert sum(v.false_calls for v in (two, sound)) < 0.02 * sum(v.far_points for v in (two, sound))
