"""The developed surface against closed forms, and against distances on the solid body itself."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.plan import cell_area_mm2, girth_mm, parse_point, s_mm, x_mm
from tapscan.plan.developed import columns, cut_columns, developed_mm, edge_mm, path_mm, pieces, sector
from tapscan.plan.text.reading import parse_plan

TUBE = """
[[zone]]
code = "BM"
shape = "tube"
stations = 40
positions = 12
station_pitch_mm = 10.0
"""


def tube(start_mm, end_mm, **changes):
    (zone,) = parse_plan(f"{TUBE}girth_start_mm = {start_mm}\ngirth_end_mm = {end_mm}\n").zones
    return replace(zone, **changes)


def shoelace(ring):
    u, v = ring.T
    return 0.5 * abs(np.sum(u[:-1] * v[1:] - u[1:] * v[:-1]))


def length(path):
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def test_a_cone_against_its_closed_form():
    # Frustum: radii 30 and 50 mm, height 48 mm, so that the slant is hypot(20, 48) = 52 mm, exactly.
    # Apex at 30·52/20 = 78 mm along the wall; angle 2π·20/52; lateral area π·(30 + 50)·52.
    zone = tube(60 * np.pi, 100 * np.pi, stations=6, station_pitch_mm=8.0)
    flat = sector(zone)
    assert flat.angle_rad == pytest.approx(2 * np.pi * 20 / 52, rel=1e-12)
    assert (flat.start_radius_mm, flat.end_radius_mm) == pytest.approx((78.0, 130.0), rel=1e-12)
    assert shoelace(edge_mm(zone)) == pytest.approx(np.pi * 80 * 52, rel=1e-4)
    assert cell_area_mm2(zone).sum() == pytest.approx(np.pi * 80 * 52, rel=1e-12)
    low, high = cut_columns(zone)
    generator = developed_mm(zone, [0.0, 48.0], [3.3, 3.3])
    assert length(generator) == pytest.approx(52.0, abs=1e-9)
    for x, girth in ((0.0, 60 * np.pi), (24.0, 80 * np.pi), (48.0, 100 * np.pi)):
        arc = developed_mm(zone, x, np.linspace(low, high, 20_001))
        assert length(arc) == pytest.approx(girth, rel=1e-6)
        # Every point of a girth is as far from the apex, which is before station 1.
        from_apex = np.hypot(arc[:, 0] + 78.0, arc[:, 1])
        assert from_apex == pytest.approx(78.0 + 52 * x / 48, rel=1e-12)


def test_a_cone_that_narrows_is_the_same_cone_turned_round():
    wide, narrow = tube(200.0, 120.0), tube(120.0, 200.0)
    x, column = np.meshgrid([0.0, 100.0, 400.0], np.linspace(-0.5, 11.5, 25))
    one = developed_mm(wide, x, column)
    other = developed_mm(narrow, 400.0 - x, column)
    slant_mm = np.hypot(400.0, 80 / (2 * np.pi))
    assert np.stack([slant_mm - one[..., 0], one[..., 1]], axis=-1) == pytest.approx(other, abs=1e-9)


def test_a_straight_tube_is_a_rectangle_and_a_panel_is_flat():
    assert edge_mm(tube(120.0, 120.0)).tolist() == [[0, -60], [400, -60], [400, 60], [0, 60], [0, -60]]
    text = TUBE.replace("tube", "panel") + "position_pitch_mm = 5.0\n"
    (panel,) = parse_plan(text).zones
    assert edge_mm(panel).tolist() == [[0, -30], [400, -30], [400, 30], [0, 30], [0, -30]]
    points = developed_mm(panel, x_mm(panel), columns(panel, x_mm(panel), s_mm(panel)))
    assert points[..., 1] - points[0, 0, 1] == pytest.approx(s_mm(panel))
    assert sector(panel) is None


def test_a_hair_of_taper_is_next_to_none():
    x, column = np.meshgrid(np.linspace(0, 400, 9), np.linspace(-0.5, 11.5, 25))
    straight = developed_mm(tube(120.0, 120.0), x, column)
    for taper in (1e-12, 1e-9, 1e-6):
        assert developed_mm(tube(120.0, 120.0 + taper), x, column) == pytest.approx(straight, abs=2 * taper)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(20, 2000),
    st.floats(20, 2000),
    st.floats(0.5, 60),
    st.integers(1, 60),
    st.integers(1, 40),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_short_distances_are_those_on_the_body(start_mm, end_mm, pitch_mm, stations, positions, along, turn):
    """Isometry, judged in space: a small step on the plane is as long as on the cone itself."""
    zone = tube(start_mm, end_mm, stations=stations, positions=positions, station_pitch_mm=pitch_mm)
    length_mm = stations * pitch_mm

    def in_space(x, column):
        radius = (start_mm + (end_mm - start_mm) * x / length_mm) / (2 * np.pi)
        angle = 2 * np.pi * column / positions
        return np.array([x, radius * np.cos(angle), radius * np.sin(angle)])

    x, column = along * length_mm, -0.5 + turn * positions
    small = 1e-5 * np.array([length_mm, positions])
    for dx, turned in (small * [1, 0], small * [0, 1], small * [1, -1]):
        flat = developed_mm(zone, [x, x + dx], [column, column + turned])
        on_body = np.linalg.norm(in_space(x + dx, column + turned) - in_space(x, column))
        assert length(flat) == pytest.approx(on_body, rel=2e-4)


def test_points_are_where_the_plan_puts_them():
    zone = tube(118.0, 102.0)
    flat = developed_mm(zone, x_mm(zone), columns(zone, x_mm(zone), s_mm(zone)))
    seventh = parse_point("BM-07-05")
    u, v = flat[seventh.station - 1, seventh.position - 1]
    apex = sector(zone)
    # Seventh station, 65 mm along an axis of 400: its girth is 115.4 mm, its fifth position 4/12 of that on.
    radius = 115.4 / abs(apex.angle_rad)
    centre_u = apex.start_radius_mm  # beyond the last station, since the girth falls
    assert np.hypot(u - centre_u, v) == pytest.approx(radius)
    first_u, first_v = flat[seventh.station - 1, 0]
    turned = np.arctan2(v, centre_u - u) - np.arctan2(first_v, centre_u - first_u)
    assert turned * radius == pytest.approx(4 / 12 * 115.4)
    assert (np.diff(flat[..., 1], axis=1) > 0).all()  # positions run downward on the sheet
    assert girth_mm(zone)[6] == pytest.approx(115.4)


def test_a_followed_path_keeps_to_its_arc():
    zone = tube(90.0, 300.0, stations=5)
    path = path_mm(zone, np.array([[50.0, -0.5], [50.0, 11.5]]))
    flat = sector(zone)
    middles = (path[1:] + path[:-1]) / 2
    for corners in (path, middles):
        away = np.hypot(corners[:, 0] + flat.start_radius_mm, corners[:, 1])
        assert away == pytest.approx(300.0 / flat.angle_rad, abs=0.006)
    straight = np.array([[0.0, 2.0], [20.0, 3.0], [50.0, -0.2]])
    fine = np.linspace(straight[1], straight[2], 2000)
    truth = developed_mm(zone, fine[:, 0], fine[:, 1])
    drawn = path_mm(zone, straight[1:])
    nearest = [_distance_to_path(place, drawn) for place in truth[::50]]
    assert max(nearest) < 0.006


def _distance_to_path(place, path):
    step = np.diff(path, axis=0)
    share = np.clip(((place - path[:-1]) * step).sum(1) / (step**2).sum(1), 0, 1)
    return np.hypot(*(path[:-1] + share[:, None] * step - place).T).min()


def ring_of(*corners):
    return np.array([*corners, corners[0]], dtype=float)


def test_pieces_of_a_ring():
    square = ring_of((0, 2), (4, 2), (4, 4), (0, 4))
    (whole,) = pieces(square, -0.5, 11.5)
    assert whole.tolist() == square.tolist()
    assert pieces(square, 5.0, 9.0) == []
    (lower,) = pieces(square, 3.0, 9.0)
    assert lower.tolist() == [[4, 3], [4, 4], [0, 4], [0, 3]]
    both = pieces(square, 2.5, 3.5)
    assert [piece.tolist() for piece in both] == [[[4, 2.5], [4, 3.5]], [[0, 3.5], [0, 2.5]]]


def test_a_ring_all_round_has_no_outline_along_the_cut():
    all_round = ring_of((10, -0.5), (30, -0.5), (30, 11.5), (10, 11.5))
    sides = [piece.tolist() for piece in pieces(all_round, -0.5, 11.5)]
    assert sides == [[[30, -0.5], [30, 11.5]], [[10, 11.5], [10, -0.5]]]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 50), st.floats(-8, 20)), min_size=3, max_size=12), st.floats(-5, 5))
def test_cutting_a_ring_loses_nothing(corners, level):
    ring = ring_of(*corners)
    low, high = pieces(ring, -100.0, level), pieces(ring, level, 100.0)
    along = np.all([ring[:-1, 1] == level, ring[1:, 1] == level], axis=0)
    on_cut = np.abs(np.diff(ring[:, 0]))[along].sum()
    assert sum(length(piece) for piece in [*low, *high]) + on_cut == pytest.approx(length(ring), abs=1e-9)
    for piece in low:
        assert piece[:, 1].max() <= level
