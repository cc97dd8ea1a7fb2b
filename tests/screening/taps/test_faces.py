"""What readings follow over an odd shape, against closed form."""

import numpy as np
import pytest

from tapscan.plan.text.reading import parse_plan
from tapscan.plan.zones import Zone
from tapscan.screening.taps.faces import EDGE_MM, face_terms, followed
from tests.test_photo_zone import lattice, listed, photo_plan, scattered


def zone_of(points, more="") -> Zone:
    return parse_plan(photo_plan(listed(points), more=more)).zones[0]


def bent(by_px):
    """The lattice, its stations bent as bows, the more the nearer to the middle of the face."""
    return [
        (name, x + by_px * np.sin(np.pi * (y - 100) / 600) * (1 - ((x - 500) / 400) ** 2), y)
        for name, x, y in lattice()
    ]


def test_on_a_grid_and_on_a_straight_one_on_a_photo_stations_and_positions_decide():
    assert face_terms(zone_of(lattice())) is None
    assert face_terms(zone_of(bent(10.0))) is None  # by a fifth of the spacing


@pytest.mark.parametrize("points", [bent(90.0), scattered()], ids=["bent", "scattered"])
def test_elsewhere_the_place_does(points):
    zone = zone_of(points)
    terms = face_terms(zone)
    assert terms.shape == (zone.stations * zone.positions, 7)
    assert np.linalg.matrix_rank(terms) == 7


def test_an_edge_counts_by_the_distance_from_outline_and_holes():
    # A point 5 mm inside the outline's left side, one in its middle, and one 10 mm beside a hole.
    points = [("01-01", 125.0, 400.0), ("01-02", 500.0, 400.0), ("01-03", 750.0, 400.0)]
    hole = "holes = [[[800, 300], [850, 300], [850, 500], [800, 500]]]"
    terms = face_terms(zone_of(points, hole))
    assert -EDGE_MM * np.log(terms[:, -1]) == pytest.approx([5.0, 60.0, 10.0], abs=1e-6)


def test_a_surface_is_found_through_a_fifth_that_is_damaged():
    zone = zone_of(scattered())
    terms = face_terms(zone)
    rng = np.random.default_rng(3)
    factors = rng.normal(0, 3, (7, 4))
    values = terms @ factors + rng.normal(0, 0.2, (len(terms), 4))
    # Damage in one piece that takes a fifth of the zone, and does the same to all of it.
    damaged = np.argsort(np.hypot(*(terms[:, 1:3] - (0.5, 0.1)).T))[: len(terms) // 5]
    values[damaged] += 6.0
    found = followed(terms, values, np.ones(len(terms), dtype=bool))
    assert np.abs(found - terms @ factors).mean() < 0.25
    plain = terms @ np.linalg.lstsq(terms, values, rcond=None)[0]
    assert np.abs(plain - terms @ factors).mean() > 3 * np.abs(found - terms @ factors).mean()


def test_with_few_readings_there_is_one_level():
    terms = face_terms(zone_of(scattered()))
    values = np.arange(len(terms), dtype=float)[:, None]
    few = np.zeros(len(terms), dtype=bool)
    few[:20] = True
    assert np.ptp(followed(terms, values, few)) == pytest.approx(0.0, abs=1e-9)


def test_unread_points_take_no_part():
    terms = face_terms(zone_of(scattered()))
    values = terms @ np.ones((7, 1))
    values[::9] = np.nan
    found = followed(terms, values, np.ones(len(terms), dtype=bool))
    assert found[:, 0] == pytest.approx(terms @ np.ones(7), abs=1e-6)
