"""Echoes from inside that are plies and not damage."""

from types import SimpleNamespace

import numpy as np
import pytest

from tapscan.screening.ascans import KEPT, _is_ply

GRID = (12, 12)


def called(points, depth_share, lost=0.05):
    """How many of so many points side by side stay in doubt, at this share of the wall."""
    at = np.unravel_index(np.arange(points), (4, 4))
    echo_s, inside = np.full(GRID, np.nan), np.zeros(GRID)
    echo_s[at], inside[at] = depth_share * 2e-6, 0.6
    readings = SimpleNamespace(echoes=SimpleNamespace(echo_s=echo_s, tof_s=np.full(GRID, 2e-6)))
    is_ply = _is_ply(readings, inside, np.full(GRID, lost), closed=False)
    return points - np.count_nonzero(is_ply[at])


@pytest.mark.parametrize(("depth_share", "most"), [(0.06, 4), (0.15, 4), (0.3, 2), (0.7, 2)])
def test_few_points_together_are_a_ply_and_more_are_not(depth_share, most):
    assert called(1, depth_share) == 0
    assert called(most, depth_share) == 0
    assert called(16, depth_share) > 8


@pytest.mark.parametrize("depth_share", [0.06, 0.3, 0.7])
def test_what_the_back_wall_lacks_is_no_ply(depth_share):
    assert called(1, depth_share, lost=KEPT + 0.05) == 1


def test_an_echo_whose_trips_stand_where_the_back_wall_is_due_is_no_ply():
    assert called(1, 0.5) == 1
