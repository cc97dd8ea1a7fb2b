"""A bent grid against closed form: what quadratics give exactly, and what they make of a circle."""

import numpy as np
import pytest

from tapscan.plan.photos.bending import bent_grid, filled_handles

CORNERS = np.array([[[0.0, 0.0], [0.0, 60.0]], [[40.0, 0.0], [40.0, 60.0]]])


def steps(count):
    return np.linspace(0.0, 1.0, count)


def test_corners_alone_give_a_grid_with_even_steps():
    grid = bent_grid(filled_handles(CORNERS, {}), 5, 7)
    x, y = np.meshgrid(40.0 * steps(5), 60.0 * steps(7), indexing="ij")
    assert grid == pytest.approx(np.stack([x, y], axis=-1))


def test_a_quadrangle_gives_the_bilinear_grid():
    corners = np.array([[[0.0, 0.0], [10.0, 50.0]], [[40.0, 5.0], [70.0, 90.0]]])
    u, v = np.meshgrid(steps(4), steps(6), indexing="ij")
    (a, b), (c, d) = corners
    shares = [((1 - u) * (1 - v), a), ((1 - u) * v, b), (u * (1 - v), c), (u * v, d)]
    assert bent_grid(filled_handles(corners, {}), 4, 6) == pytest.approx(
        sum(share[..., None] * corner for share, corner in shares)
    )


def test_any_quadratic_map_is_followed_exactly():
    rng = np.random.default_rng(5)
    terms = rng.normal(size=(3, 3, 2))  # u^a v^b

    def mapped(u, v):
        powers = np.stack([u**a * v**b for a in range(3) for b in range(3)], axis=-1)
        return powers @ terms.reshape(9, 2)

    handles = mapped(*np.meshgrid(steps(3), steps(3), indexing="ij"))
    corners = handles[::2, ::2]
    moved = {(i, p): handles[i, p] for i in range(3) for p in range(3) if (i % 2, p % 2) != (0, 0)}
    u, v = np.meshgrid(steps(9), steps(5), indexing="ij")
    assert bent_grid(filled_handles(corners, moved), 9, 5) == pytest.approx(mapped(u, v), abs=1e-12)


def test_the_grid_runs_through_every_handle():
    moved = {(0, 1): np.array([-8.0, 30.0]), (1, 2): np.array([25.0, 70.0]), (1, 1): np.array([21.0, 33.0])}
    handles = filled_handles(CORNERS, moved)
    assert bent_grid(handles, 3, 3) == pytest.approx(handles)
    assert handles[1, 1] == pytest.approx([21.0, 33.0])


def test_the_centre_follows_the_sides_until_it_is_moved():
    # Both long sides bulge the same way: so does the middle (a translated parabola).
    moved = {(0, 1): np.array([-9.0, 30.0]), (2, 1): np.array([31.0, 30.0])}
    assert filled_handles(CORNERS, moved)[1, 1] == pytest.approx([11.0, 30.0])


@pytest.mark.parametrize("turn_deg", [30.0, 60.0, 90.0])
def test_a_ring_is_followed_as_parabolas_do(turn_deg):
    """A parabola through three points of an arc of a circle: its error against the radius, in closed form."""
    radius = np.array([40.0, 60.0])[:, None, None]
    turn = np.radians(turn_deg) * steps(3)
    ring = radius * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    handles = np.stack([ring[0], ring.mean(axis=0), ring[1]])
    corners = handles[::2, ::2]
    moved = {(0, 1): handles[0, 1], (2, 1): handles[2, 1], (1, 0): handles[1, 0], (1, 2): handles[1, 2]}
    grid = bent_grid(filled_handles(corners, {**moved, (1, 1): handles[1, 1]}), 2, 41)
    error = np.abs(np.linalg.norm(grid, axis=-1) / radius[:, :, 0] - 1).max()
    # In the middle frame: x = 1 - (1 - cos a) t², y = sin a · t, from -1 to 1, a half the turn.
    half, t = np.radians(turn_deg) / 2, np.linspace(-1, 1, 41)
    expected = np.abs(np.hypot(1 - (1 - np.cos(half)) * t**2, np.sin(half) * t) - 1).max()
    assert error == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("stations", "positions"), [(1, 1), (1, 4), (4, 1)])
def test_a_single_row_is_in_the_middle(stations, positions):
    grid = bent_grid(filled_handles(CORNERS, {}), stations, positions)
    assert grid.shape == (stations, positions, 2)
    assert grid.mean(axis=(0, 1)) == pytest.approx([20.0, 30.0])
