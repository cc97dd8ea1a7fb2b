"""The back wall's surface: the solver against exact optima, and what is wall and what is damage."""

import itertools

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from tapscan.signals.walls.labelling import least_cost_labels
from tapscan.signals.walls.surface import wall_surface

NEAR, STEP = 3.0, 0.25
CYCLE, WALL = 20.0, 108.0
GRID = (60, 40)


def step_cost(one, other):
    """What two neighbouring labels cost together; None is a lost wall."""
    if one is None or other is None:
        return 0.0 if one is other else 0.5 * STEP
    return STEP * min(abs(one - other) / NEAR, 1.0)


def total(labels, cost, time):
    rows, columns = labels.shape
    lost = time.shape[2]
    when = [
        [None if labels[i, j] == lost else float(time[i, j, labels[i, j]]) for j in range(columns)]
        for i in range(rows)
    ]
    out = sum(float(cost[i, j, labels[i, j]]) for i in range(rows) for j in range(columns))
    out += sum(step_cost(when[i][j], when[i + 1][j]) for i in range(rows - 1) for j in range(columns))
    return out + sum(step_cost(when[i][j], when[i][j + 1]) for i in range(rows) for j in range(columns - 1))


def test_on_small_grids_the_cost_is_that_of_the_best_of_all_labellings():
    exact, rng = 0, np.random.default_rng(1)
    for _ in range(20):
        cost = rng.uniform(0, 1, (3, 3, 3)).astype(np.float32)
        time = rng.uniform(0, 10, (3, 3, 2)).astype(np.float32)
        least = min(
            total(np.reshape(labels, (3, 3)), cost, time) for labels in itertools.product(range(3), repeat=9)
        )
        found = total(least_cost_labels(cost, time, NEAR, STEP), cost, time)
        assert found <= 1.05 * least
        exact += found <= least + 1e-5
    assert exact >= 17


def test_along_a_single_line_the_labels_are_the_shortest_path():
    """Each label of each point is a node of a graph; the library's shortest path through it is exact."""
    rng = np.random.default_rng(2)
    points, labels = 30, 4
    cost = rng.uniform(0, 1, (1, points, labels)).astype(np.float32)
    time = rng.uniform(0, 10, (1, points, labels - 1)).astype(np.float32)
    start, end = points * labels, points * labels + 1
    edges = [(start, k, float(cost[0, 0, k])) for k in range(labels)]
    edges += [((points - 1) * labels + k, end, 1e-12) for k in range(labels)]
    for at in range(points - 1):
        for one, other in itertools.product(range(labels), repeat=2):
            when = [
                None if k == labels - 1 else float(time[0, at + j, k]) for j, k in enumerate((one, other))
            ]
            way = step_cost(*when) + float(cost[0, at + 1, other])
            edges.append((at * labels + one, (at + 1) * labels + other, way))
    row, column, weight = zip(*edges, strict=True)
    graph = coo_array((weight, (row, column)), shape=(end + 1, end + 1)).tocsr()
    found = total(least_cost_labels(cost, time, NEAR, STEP), cost, time)
    assert found == pytest.approx(dijkstra(graph, indices=start)[end], abs=1e-5)


def surface(wall, *, closed=False):
    time = wall[..., None].astype(np.float32)
    return wall_surface(time, np.ones_like(time), CYCLE, WALL, closed=closed)


def axes():
    return np.meshgrid(np.arange(GRID[0]), np.arange(GRID[1]), indexing="ij")


@pytest.mark.parametrize("period", [20, 40, 80])
def test_a_wall_that_swells_and_thins_smoothly_is_wall(period):
    x, s = axes()
    wall = WALL * (1 + 0.06 * np.sin(2 * np.pi * x / period) * np.cos(2 * np.pi * s / period))
    found = surface(wall)
    np.testing.assert_allclose(found.due, wall, rtol=1e-6)
    assert np.isnan(found.damage).all()


@pytest.mark.parametrize("above", [10.0, 30.0, 70.0])
def test_an_early_sheet_inside_the_zone_is_damage_however_large(above):
    x, s = axes()
    hit = np.hypot(x - 30, s - 20) < 15
    found = surface(np.where(hit, WALL - above, WALL))
    np.testing.assert_array_equal(np.isfinite(found.damage), hit)
    np.testing.assert_allclose(found.due, WALL)


@pytest.mark.parametrize("slant", [0.0, 0.4, 1.0])
def test_plies_that_end_along_a_line_leave_a_thinner_wall(slant):
    x, s = axes()
    wall = np.where(x - 30 > slant * (s - 20), WALL - 14, WALL)
    found = surface(wall)
    np.testing.assert_allclose(found.due, wall)
    assert np.isnan(found.damage).all()
    assert np.isfinite(found.thinner).any()
    assert np.isfinite(found.thicker).any()


def test_damage_across_the_end_of_a_ply_leaves_both_walls():
    x, s = axes()
    wall = np.where(x - 30 > 0.4 * (s - 20), WALL - 14, WALL)
    hit = np.hypot(x - 30, s - 20) < 7
    found = surface(np.where(hit, 60.0, wall))
    np.testing.assert_array_equal(np.isfinite(found.damage), hit)
    np.testing.assert_allclose(found.due[~hit], wall[~hit])


def test_a_ply_that_ends_all_round_a_tube_leaves_a_thinner_wall():
    x, _ = axes()
    wall = np.where(x > 30, WALL - 14, WALL)
    found = surface(wall, closed=True)
    np.testing.assert_allclose(found.due, wall)


def test_a_step_deeper_than_plies_can_make_is_damage():
    x, _ = axes()
    found = surface(np.where(x > 40, 0.5 * WALL, WALL))
    assert np.isfinite(found.damage[41:]).all()


def test_damage_that_reaches_an_edge_or_a_corner_is_no_ply_drop():
    x, s = axes()
    for hit in (np.hypot(x - 30, s) < 10, np.hypot(x, s) < 14):
        found = surface(np.where(hit, WALL - 30, WALL))
        np.testing.assert_array_equal(np.isfinite(found.damage), hit)


def test_damage_across_the_seam_of_a_tube_is_one():
    x, s = axes()
    around = np.minimum(s, GRID[1] - s)
    hit = np.hypot(x - 30, around) < 8
    found = surface(np.where(hit, WALL - 30, WALL), closed=True)
    np.testing.assert_array_equal(np.isfinite(found.damage), hit)


def test_damage_of_two_depths_is_damage():
    wall = np.full(GRID, WALL)
    wall[20:30, 10:30], wall[30:40, 10:30] = 50.0, 80.0
    found = surface(wall)
    np.testing.assert_array_equal(np.isfinite(found.damage), wall < WALL)


def test_a_wall_that_is_thicker_in_one_place_is_wall():
    x, s = axes()
    wall = np.where(np.hypot(x - 30, s - 20) < 8, WALL + 20, WALL)
    np.testing.assert_allclose(surface(wall).due, wall)


def test_missing_traces_are_carried_over():
    rng = np.random.default_rng(3)
    x, _ = axes()
    wall = WALL + 0.1 * x
    time = np.where(rng.random(GRID) < 0.5, np.nan, wall)[..., None].astype(np.float32)
    found = wall_surface(time, np.ones_like(time), CYCLE, WALL)
    assert np.abs(found.due - wall).max() < 0.5
    assert np.isnan(found.damage).all()


def test_damage_that_damage_encloses_is_no_wall():
    """A delamination jumps a ply at one point: nothing beside that point is wall, and it passed for it."""
    time = np.full((12, 12, 1), 200.0, np.float32)
    time[3:9, 3:9] = 120
    time[5, 5] = 135
    surface = wall_surface(time, np.ones_like(time), 18.0, None)
    assert surface.due == pytest.approx(200)
    assert np.isfinite(surface.damage[3:9, 3:9]).all()


def test_sound_wall_that_damage_encloses_is_wall():
    time = np.full((12, 12, 1), 200.0, np.float32)
    time[2:10, 2:10] = 120
    time[4:8, 4:8] = 201
    surface = wall_surface(time, np.ones_like(time), 18.0, None)
    assert np.isnan(surface.damage[4:8, 4:8]).all()


def test_a_wall_that_swells_by_less_than_a_ply_from_point_to_point_is_no_damage():
    """At 15 MHz, two points thick and two points thin, in blocks: each step is most of a cycle."""
    station, position = np.indices((24, 16))
    time = 600.0 + 30.0 * ((position // 2 + station // 6) % 2)
    time[9:12, 6:9] = 300.0
    damaged = time == 300.0
    surface = wall_surface(
        time[..., None].astype(np.float32), np.ones((*time.shape, 1), np.float32), 60.0, None, 65.0
    )
    assert (np.isfinite(surface.damage) == damaged).all()
    assert np.abs(surface.due - time)[~damaged].max() < 1


@pytest.mark.parametrize("thinner", [70.0, 85.0])
def test_a_delamination_across_the_end_of_a_ply_leaves_both_walls_walls(thinner):
    station, position = np.indices((60, 40))
    time = np.where(station < 30, 108.0, thinner)
    damaged = (station - 30) ** 2 + (position - 20) ** 2 < 49
    time[damaged] = 40.0
    surface = wall_surface(time[..., None].astype(np.float32), np.ones((60, 40, 1), np.float32), 20.0, 108.0)
    assert (np.isfinite(surface.damage) == damaged).all()
