"""How near points are: symmetric, the seam invisible, neighbours never strangers."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.plan import Laminate, Zone
from tapscan.plan.nearness import nearness

WALL = Laminate(1.6, 60.0, 0.3, 1550.0, 2950.0)
PITCHES = st.floats(2.0, 60.0)


def tube(
    stations: int, positions: int, pitch_mm: float, girth_mm: float, end_mm: float | None = None
) -> Zone:
    end_mm = girth_mm if end_mm is None else end_mm
    return Zone("BM", "Boom", "tube", stations, positions, pitch_mm, girth_mm, end_mm, None, WALL)


def panel(stations: int, positions: int, along_mm: float, across_mm: float) -> Zone:
    return Zone("PL", "Pan", "panel", stations, positions, along_mm, None, None, across_mm, WALL)


ZONES = st.one_of(
    st.builds(tube, st.integers(1, 9), st.integers(2, 14), PITCHES, st.floats(40.0, 400.0)),
    st.builds(panel, st.integers(1, 9), st.integers(1, 14), PITCHES, PITCHES),
)


@settings(deadline=None, max_examples=60)
@given(ZONES, st.floats(4.0, 30.0))
def test_weights_are_the_same_both_ways_and_one_for_the_point_itself(zone, reach_mm):
    weights = nearness(zone, reach_mm).toarray()
    np.testing.assert_allclose(weights, weights.T, rtol=1e-12)
    np.testing.assert_allclose(np.diag(weights), 1.0)
    assert weights.min() >= 0
    assert weights.max() <= 1 + 1e-12


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 6), st.integers(2, 14), PITCHES, st.floats(40.0, 400.0), st.integers(1, 13))
def test_the_seam_is_invisible(stations, positions, pitch_mm, girth_mm, by):
    zone = tube(stations, positions, pitch_mm, girth_mm, girth_mm)
    weights = nearness(zone, 10.0).toarray().reshape(stations, positions, stations, positions)
    moved = np.roll(weights, (by, by), axis=(1, 3))
    np.testing.assert_allclose(moved, weights, rtol=1e-12)


@settings(deadline=None, max_examples=40)
@given(ZONES)
def test_points_beside_each_other_always_have_a_weight(zone):
    """However coarse the grid: as if they were one reach apart, exp(-1), and exp(-2) across the corner."""
    weights = nearness(zone, 10.0).toarray().reshape(*zone.grid_shape, *zone.grid_shape)
    middle = zone.stations // 2, zone.positions // 2
    own = weights[middle]
    if middle[0] + 1 < zone.stations:
        assert own[middle[0] + 1, middle[1]] >= np.exp(-1) - 1e-12
        if middle[1] + 1 < zone.positions:
            assert own[middle[0] + 1, middle[1] + 1] >= np.exp(-2) - 1e-12
    if middle[1] + 1 < zone.positions:
        assert own[middle[0], middle[1] + 1] >= np.exp(-1) - 1e-12


def test_on_a_fine_grid_weights_are_those_of_the_distance():
    zone = panel(9, 9, 4.0, 5.0)
    own = nearness(zone, 10.0).toarray()[4 * 9 + 4].reshape(9, 9)
    station, position = np.indices((9, 9)) - 4
    square = (4.0 * station) ** 2 + (5.0 * position) ** 2
    expected = np.exp(-square / 100)
    beside = np.maximum(np.abs(station), np.abs(position)) == 1
    expected[beside] = np.maximum(expected, np.exp(-(station**2 + position**2.0)))[beside]
    np.testing.assert_allclose(own, np.where(expected >= 0.01, expected, 0.0), rtol=1e-12)


def test_on_a_coarse_grid_only_the_neighbours_count():
    weights = nearness(panel(5, 5, 50.0, 50.0), 10.0).toarray()[2 * 5 + 2].reshape(5, 5)
    assert (weights > 0).sum() == 9
    assert weights[2, 3] == pytest.approx(np.exp(-1))
    assert weights[3, 3] == pytest.approx(np.exp(-2))


def test_a_panel_has_edges_and_a_tube_has_none():
    flat, closed = panel(1, 8, 10.0, 10.0), tube(1, 8, 10.0, 80.0)
    assert nearness(flat, 10.0).toarray()[0, 7] == 0
    assert nearness(closed, 10.0).toarray()[0, 7] == pytest.approx(np.exp(-1))


@pytest.mark.parametrize("positions", [2, 3, 4])
def test_the_point_straight_across_a_narrow_tube_counts_once(positions):
    weights = nearness(tube(3, positions, 10.0, 10.0 * positions), 10.0).toarray()
    assert weights.max() == pytest.approx(1.0)


def test_a_taper_has_its_points_nearer_where_it_is_narrow():
    zone = tube(20, 8, 10.0, 400.0, 60.0)
    weights = nearness(zone, 10.0).toarray()
    wide, narrow = weights[0, 2], weights[19 * 8, 19 * 8 + 2]
    assert narrow > wide == 0
    assert replace(zone, girth_start_mm=60.0).grid_shape == zone.grid_shape


def test_on_a_taper_weights_are_the_same_both_ways():
    near = nearness(tube(12, 10, 10.0, 160.0, 90.0), 10.0)
    np.testing.assert_allclose((near - near.T).toarray(), 0, atol=1e-12)
