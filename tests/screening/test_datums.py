"""A datum that was turned between two readings of one tube is reported, and only when it is plain."""

import numpy as np
import pytest

from tapscan.screening.change.datums import turned_by

STATIONS, POSITIONS = 60, 12


def sides(seed: int, noise: float, waves: tuple[int, ...] = (1, 2, 3)) -> np.ndarray:
    """How a tube with a lap reads: slow along it, not alike on all sides; two features."""
    rng = np.random.default_rng(seed)
    turn = 2 * np.pi * np.arange(POSITIONS) / POSITIONS
    lap = sum(rng.normal(size=2) * np.cos(n * turn + rng.uniform(0, 6))[:, None] for n in waves)
    part = np.random.default_rng(99)
    part = sum(part.normal(size=2) * np.cos(n * turn + part.uniform(0, 6))[:, None] for n in waves)
    return part + 0.1 * lap + noise * rng.normal(size=(STATIONS, POSITIONS, 2))


@pytest.mark.parametrize("by", [2, 4, 6, -3])
def test_a_turned_datum_is_reported(by):
    assert turned_by(np.roll(sides(1, 1.0), by, axis=1), sides(2, 1.0)) == by


def test_a_datum_in_its_place_is_not():
    assert all(turned_by(sides(seed, 1.0), sides(seed + 50, 1.0)) == 0 for seed in range(10))


def test_nothing_is_reported_of_tubes_alike_on_all_sides():
    rng = np.random.default_rng(3)
    for _ in range(20):
        one, other = rng.normal(size=(2, STATIONS, POSITIONS, 2))
        assert turned_by(one, other) == 0


def test_nothing_is_reported_of_a_tube_that_is_alike_on_two_sides():
    one = sides(1, 0.3, waves=(2, 4))
    assert turned_by(np.roll(one, 4, axis=1), sides(2, 0.3, waves=(2, 4))) == 0


def test_unread_points_and_damage_do_not_decide():
    one, other = np.roll(sides(1, 1.0), 2, axis=1), sides(2, 1.0)
    one[4:8, 3:6] += 40.0
    one[20] = np.nan
    other[3, 5] = np.nan
    assert turned_by(one, other) == 2
    assert turned_by(np.full_like(one, np.nan), other) == 0
