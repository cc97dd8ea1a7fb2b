"""Neighbours and areas of points against closed form."""

import numpy as np
import pytest

from tapscan.plan.photos.cells import areas_within, cells_of, inside, neighbour_pairs
from tests.plan.photos.views import circle_mm, lattice_mm, layout, square_mm

NAMES = [(i + 1, p + 1) for i in range(6) for p in range(6)]


def count_of(pairs, points):
    return np.bincount(pairs.ravel(), minlength=points)


@pytest.mark.parametrize("turn_deg", [0.0, 17.0])
def test_a_square_lattice_has_eight_neighbours_and_equal_areas(turn_deg):
    turn = np.radians(turn_deg)
    turned = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    points, outline = lattice_mm(6, 6, 10.0) @ turned, square_mm(60.0) @ turned
    pairs, spacing = neighbour_pairs(points, [outline])
    count = count_of(pairs, 36).reshape(6, 6)
    assert (count[1:-1, 1:-1] == 8).all()
    assert (count[0, 1:-1] == 5).all()
    assert count[0, 0] == 3
    assert spacing == pytest.approx(np.full(36, 10.0))
    assert areas_within(points, outline, []) == pytest.approx(np.full(36, 100.0))


def test_triangles_with_equal_sides_have_six_neighbours():
    i, p = np.indices((7, 7)).reshape(2, -1)
    points = np.column_stack([10.0 * p + 5.0 * (i % 2), 10.0 * i * np.sqrt(0.75)])
    count = count_of(neighbour_pairs(points, [])[0], 49).reshape(7, 7)
    assert (count[1:-1, 1:-1] == 6).all()


def test_cells_share_the_whole_outline_of_scattered_points_and_leave_holes_out():
    rng = np.random.default_rng(5)
    outline, hole = square_mm(100.0), circle_mm(12.0)
    points = rng.uniform(-50, 50, (80, 2))
    points = points[~inside(points, hole)]
    area = areas_within(points, outline, [hole])
    assert area.sum() == pytest.approx(1e4 - np.pi * 144, rel=1e-4)
    # By counting: how much of the square is nearest to each.
    many = rng.uniform(-50, 50, (20_000, 2))
    many = many[~inside(many, hole)]
    nearest = np.argmin(((many[:, None] - points[None, :5]) ** 2).sum(axis=2), axis=1)
    best = ((many[:, None] - points[None, 5:]) ** 2).sum(axis=2).min(axis=1)
    own = ((many - points[nearest]) ** 2).sum(axis=1) < best
    counted = np.bincount(nearest[own], minlength=5) / len(many) * area.sum()
    assert area[:5] == pytest.approx(counted, abs=20.0)


def test_neighbours_do_not_reach_across_a_slot_or_over_a_gap():
    points = lattice_mm(6, 6, 10.0)
    slot = np.array([(-1.0, -30.0), (1.0, -30.0), (1.0, 25.0), (-1.0, 25.0)])
    outline = np.array(
        [(-30, -30), (-1, -30), (-1, 12), (1, 12), (1, -30), (30, -30), (30, 30), (-30, 30)], dtype=float
    )
    pairs, _ = neighbour_pairs(points, [outline])
    left, right = points[pairs[:, 0], 0] < 0, points[pairs[:, 1], 0] < 0
    across = pairs[left != right]
    assert len(across) > 0
    assert (points[across][:, :, 1].max(axis=1) > slot[2, 1] - 13.0 - 1e-9).all()
    apart = np.vstack([points[:18], points[18:] + np.array([0.0, 12.0])])
    pairs, _ = neighbour_pairs(apart, [])
    assert not ((pairs < 18).any(axis=1) & (pairs >= 18).any(axis=1)).any()


def test_points_in_a_row_have_the_next_ones_beside_them():
    pairs, spacing = neighbour_pairs(np.array([(0.0, 0.0), (20.0, 20.0), (10.0, 10.0)]), [])
    assert sorted(map(tuple, pairs.tolist())) == [(0, 2), (1, 2)]
    assert spacing == pytest.approx(np.full(3, np.hypot(10, 10)))


def test_names_are_a_lattice_only_where_they_are_beside_each_other():
    points, outline = lattice_mm(6, 6, 10.0), square_mm(60.0)
    lengths = [((-30.0, 0.0), (30.0, 0.0))]
    assert cells_of(layout(points, outline, lengths=lengths, names=NAMES)).is_lattice
    mixed = [NAMES[n] for n in np.random.default_rng(1).permutation(36)]
    assert not cells_of(layout(points, outline, lengths=lengths, names=mixed)).is_lattice
    assert not cells_of(layout(points, outline, lengths=lengths)).is_lattice
