from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tapscan.plan import Laminate, Zone, girth_mm, s_mm, x_mm
from tapscan.screening.areas.indications import (
    Evidence,
    find_indications,
    label_areas,
    likely_areas,
    strength_of,
)
from tapscan.screening.results import Indication

WALL = Laminate(1.6, 60.0, 0.3, 1550.0, 2950.0)
PITCH_MM = 5.0
# A circle bulges a little between the clear points that bound it: 2 % of the area of a disc of three pitches'
# width, less of wider ones.
BULGE = 1.03


def tube(stations: int = 20, positions: int = 24, girth: tuple[float, float] = (120.0, 120.0)) -> Zone:
    return Zone("BM", "Boom", "tube", stations, positions, PITCH_MM, *girth, None, WALL)


def panel(stations: int = 20, positions: int = 20) -> Zone:
    return Zone("PL", "Pan", "panel", stations, positions, PITCH_MM, None, None, PITCH_MM, WALL)


def indications(
    zone: Zone,
    suspect: NDArray[np.bool_],
    score: NDArray[np.float64] | None = None,
    doubtful: NDArray[np.bool_] | None = None,
) -> tuple[Indication, ...]:
    score = np.where(suspect, 2.0, 0.0) if score is None else score
    doubtful = np.zeros_like(suspect) if doubtful is None else doubtful
    evidence = Evidence(score, strength_of(score), doubtful)
    return find_indications(zone, "tap", label_areas(suspect, closed=zone.is_tube), evidence)


def rim_mm(zone: Zone, centre_x_mm: float, centre_s_mm: float, radius_mm: float) -> NDArray[np.float64]:
    """Distance of every point from a disc's rim, negative inside."""
    across = s_mm(zone) - centre_s_mm
    if zone.is_tube:
        girth = girth_mm(zone)[:, None]
        across = (across + girth / 2) % girth - girth / 2
    return np.hypot(x_mm(zone) - centre_x_mm, across) - radius_mm


def beam_score(rim: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a probe or a tap as wide as the pitch sees of a disc: half of its full score on the rim."""
    return 2 * np.clip(0.5 - rim / PITCH_MM, 0, 1)


@settings(deadline=None, max_examples=80)
@given(st.floats(7.5, 25), st.floats(0, 1), st.floats(0, 1))
def test_a_disc_is_as_large_as_it_is_and_its_bounds_hold_it(radius_mm, along, around):
    """The half-amplitude line through a disc sampled anywhere on the grid, against πr²."""
    zone = tube()
    rim = rim_mm(zone, 50 + along * PITCH_MM, around * 120, radius_mm)
    score = beam_score(rim)
    (one,) = indications(zone, score >= 1, score)
    true_mm2 = np.pi * radius_mm**2
    # What a circle bulges by between the grid's crossings is left out in part: less the wider it is.
    assert one.area_mm2 == pytest.approx(true_mm2, rel=PITCH_MM / radius_mm / 7)
    assert one.area_low_mm2 <= true_mm2 <= one.area_high_mm2 * BULGE


def test_an_outline_follows_a_round_rim_between_the_crossings():
    """Straight lines from crossing to crossing would leave out 9 % of three pitches' width, 2 % of six."""
    zone = tube()
    for radius_mm, least in ((7.5, 0.95), (15.0, 0.98)):
        reported = []
        for along, around in np.random.default_rng(4).uniform(size=(40, 2)):
            score = beam_score(rim_mm(zone, 50 + along * PITCH_MM, around * 120, radius_mm))
            reported.append(indications(zone, score >= 1, score)[0].area_mm2)
        assert least < np.mean(reported) / (np.pi * radius_mm**2) < 1.005


@settings(deadline=None, max_examples=80)
@given(st.floats(6, 25), st.floats(0, 1), st.floats(0, 1), st.integers(0, 2**32 - 1))
def test_the_bounds_are_in_order_and_hold_a_disc_however_the_scores_scatter(radius, along, around, seed):
    """With any scores beyond the limit inside and any below it outside, only the bounds can be relied on."""
    zone = tube()
    inside = rim_mm(zone, 50 + along * PITCH_MM, around * 120, radius) < 0
    rng = np.random.default_rng(seed)
    score = np.where(inside, rng.uniform(1, 9, inside.shape), rng.uniform(0, 0.99, inside.shape))
    (one,) = indications(zone, inside, score)
    assert 0 <= one.area_low_mm2 <= one.area_mm2 <= one.area_high_mm2
    assert one.area_low_mm2 <= np.pi * radius**2 <= one.area_high_mm2 * BULGE


def test_the_bounds_hold_nine_discs_of_ten_and_more():
    zone, rng, held = tube(), np.random.default_rng(8), []
    for radius in rng.uniform(6, 25, 150):
        rim = rim_mm(zone, 50 + rng.uniform(0, PITCH_MM), rng.uniform(0, 120), radius)
        (one,) = indications(zone, rim < 0, beam_score(rim))
        held.append(one.area_low_mm2 <= np.pi * radius**2 <= one.area_high_mm2)
    assert np.mean(held) >= 0.98  # 0.999 of 3000 such discs


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.integers(1, 23))
def test_the_seam_is_invisible(seed, by):
    """Blobs of any form: a turn of the datum moves s and the names, and nothing else."""
    rng = np.random.default_rng(seed)
    zone = tube()
    score = rng.uniform(0, 1.4, zone.grid_shape)
    score[rng.random(zone.grid_shape) < 0.05] = np.nan
    plain = indications(zone, score >= 1, score)
    turned = indications(zone, np.roll(score, by, axis=1) >= 1, np.roll(score, by, axis=1))
    assert len(plain) == len(turned)

    def key(one: Indication) -> tuple[float, ...]:
        return round(one.area_mm2, 6), round(one.score, 9), len(one.points)

    before, after = sorted(plain, key=key), sorted(turned, key=key)
    for here, there in zip(before, after, strict=True):
        for name in ("area_mm2", "area_low_mm2", "area_high_mm2", "x_mm", "score"):
            assert getattr(there, name) == pytest.approx(getattr(here, name), rel=1e-9, abs=1e-6), name
        moved = {_moved(point, by, 24) for point in here.points}
        assert set(there.points) == moved
        if here.s_mm != (0.0, 120.0):
            step = by * 5.0
            off = (np.array(there.s_mm) - np.array(here.s_mm) - step + 60) % 120 - 60
            assert np.abs(off).max() < 1e-6


def _moved(point: str, by: int, positions: int) -> str:
    zone, station, position = point.split("-")
    return f"{zone}-{station}-{(int(position) - 1 + by) % positions + 1:02d}"


def test_an_area_across_the_seam_says_so():
    zone = tube()
    (one,) = indications(zone, rim_mm(zone, 52.5, 0.0, 12.0) < 0)
    start, end = one.s_mm
    assert end < start
    assert (end - start) % 120 == pytest.approx(25, abs=5)
    xs, ss = np.array(one.outline[0]).T
    assert np.abs(np.diff(ss)).max() <= 2 * PITCH_MM  # one piece, no jump over the girth
    assert (xs[0], ss[0]) == (xs[-1], ss[-1])


def test_a_ring_all_round_has_the_area_of_its_band():
    zone = tube()
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[8:12] = True
    (one,) = indications(zone, suspect)
    # The strength falls from 1 to 0 over a pitch: half-way is half a pitch beyond the outer suspect rows.
    assert one.area_mm2 == pytest.approx(120 * 4 * PITCH_MM, rel=0.02)
    assert one.area_low_mm2 == pytest.approx(120 * 3 * PITCH_MM, rel=0.01)
    assert one.area_high_mm2 == pytest.approx(120 * 5 * PITCH_MM, rel=0.01)
    assert one.s_mm == (0.0, 120.0)
    assert len(one.points) == 4 * 24


@pytest.mark.parametrize("girth", [(120.0, 120.0), (160.0, 60.0), (40.0, 300.0)])
@pytest.mark.parametrize("columns", [24, 9])
def test_area_on_a_tapered_tube_is_that_of_the_frustum(girth, columns):
    """Against the closed form: lateral area π(r₁ + r₂)·slant of a frustum, or its share of the turn."""
    zone = tube(girth=girth)
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[:, :columns] = True
    (one,) = indications(zone, suspect)
    r1, r2 = girth[0] / 2 / np.pi, girth[1] / 2 / np.pi
    whole = np.pi * (r1 + r2) * np.hypot(r1 - r2, zone.stations * PITCH_MM)
    assert one.area_mm2 == pytest.approx(whole * columns / 24, rel=1e-6)


def test_a_panel_ends_half_a_pitch_beyond_its_outer_points():
    zone = panel()
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[:3, :2] = True
    (one,) = indications(zone, suspect)
    assert one.x_mm == pytest.approx((0.0, 15.0))
    assert one.s_mm == pytest.approx((-2.5, 7.5))
    # A cut corner apart, the cells of six points.
    assert one.area_mm2 == pytest.approx(6 * PITCH_MM**2, rel=0.03)
    (whole,) = indications(zone, np.ones(zone.grid_shape, dtype=bool))
    assert whole.area_mm2 == pytest.approx(20 * 20 * PITCH_MM**2)
    assert whole.area_high_mm2 == pytest.approx(whole.area_mm2)


def test_the_far_edge_of_a_panel_is_no_neighbour():
    zone = panel()
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[5, [0, -1]] = True
    assert [one.points for one in indications(zone, suspect)] == [("PL-06-01",), ("PL-06-20",)]


def test_a_hole_is_not_counted():
    zone = panel()
    distance = np.hypot(x_mm(zone) - 50, s_mm(zone) - 50)
    ring = (distance < 31) & (distance > 14)
    (one,) = indications(zone, ring)
    (filled,) = indications(zone, distance < 31)
    (hole,) = indications(zone, distance <= 14)
    assert len(one.outline) == 2
    assert one.area_mm2 == pytest.approx(filled.area_mm2 - hole.area_mm2, rel=0.03)
    assert one.area_low_mm2 <= np.pi * (31**2 - 14**2) <= one.area_high_mm2


def test_single_points_and_diagonal_neighbours():
    zone = panel()
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[[3, 4, 10], [3, 4, 10]] = True
    pair, single = indications(zone, suspect)
    assert pair.points == ("PL-04-04", "PL-05-05")
    assert single.points == ("PL-11-11",)
    # A point may be a speck or for all that its clear neighbours leave.
    assert single.area_low_mm2 < 0.01
    assert single.area_low_mm2 < single.area_mm2 < single.area_high_mm2
    assert single.area_high_mm2 == pytest.approx(2 * PITCH_MM**2, rel=0.02)


def test_names_go_from_the_largest_down():
    zone = panel()
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[0, 0] = True
    suspect[5:9, 5:9] = True
    suspect[15:17, 15:17] = True
    suspect[15, 2] = True
    score = np.where(suspect, 2.0, 0.0)
    score[15, 2] = 3.0
    found = indications(zone, suspect, score)
    assert [one.id for one in found] == ["PL-T1", "PL-T2", "PL-T3", "PL-T4"]
    areas = [one.area_mm2 for one in found]
    assert areas == sorted(areas, reverse=True)
    assert [len(one.points) for one in found[:2]] == [16, 4]


def test_depth_peak_and_letter_are_stated():
    zone = panel()
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[5:8, 5:8] = True
    score = np.where(suspect, 1.5, 0.0)
    score[6, 7] = 2.5
    depth = np.full(zone.grid_shape, np.nan)
    depth[5:8, 5:7] = 0.6
    areas = label_areas(suspect, closed=False)
    none = np.zeros_like(suspect)
    (one,) = find_indications(zone, "ascan", areas, Evidence(score, strength_of(score), none, depth))
    assert (one.id, one.peak_point, one.score, one.depth_mm) == ("PL-A1", "PL-07-08", 2.5, 0.6)
    blank = Evidence(score, strength_of(score), none, depth * np.nan)
    (blind,) = find_indications(zone, "ascan", areas, blank)
    assert blind.depth_mm is None
    assert indications(zone, suspect)[0].depth_mm is None


def test_an_unread_neighbour_leaves_the_edge_open_towards_it():
    zone = panel()
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[5:8, 5:8] = True
    score = np.where(suspect, 2.0, 0.0)
    (known,) = indications(zone, suspect, score)
    score[5:8, 8] = np.nan
    (open_ended,) = indications(zone, suspect, score)
    assert open_ended.area_mm2 > known.area_mm2
    assert open_ended.points == known.points


def test_nothing_suspect_is_no_indication():
    assert indications(tube(), np.zeros((20, 24), dtype=bool)) == ()


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(1, 12), st.booleans())
def test_every_suspect_point_is_in_one_area(seed, stations, positions, closed):
    suspect = np.random.default_rng(seed).random((stations, positions)) < 0.4
    areas = label_areas(suspect, closed=closed)
    total = sum((area.members.astype(int) for area in areas), np.zeros(suspect.shape, dtype=int))
    assert (total == suspect).all()
    sizes = [int(area.members.sum()) for area in areas]
    assert sizes == sorted(sizes, reverse=True)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(2, 12), st.floats(0.2, 0.9))
def test_any_form_on_any_small_tube_is_described(seed, positions, share):
    """Rings, spirals and combs round a narrow tube: areas in order, none larger than the part."""
    zone = replace(tube(stations=6, positions=positions), name="narrow")
    suspect = np.random.default_rng(seed).random(zone.grid_shape) < share
    found = indications(zone, suspect)
    for one in found:
        assert 0 <= one.area_low_mm2 <= one.area_mm2 <= one.area_high_mm2 <= 6 * PITCH_MM * 120 * (1 + 1e-9)
        assert all(0 <= s <= 120 for s in one.s_mm)
    assert sum(one.area_mm2 for one in found) <= 6 * PITCH_MM * 120 * (1 + 1e-9)


def test_an_unread_or_doubtful_neighbour_is_no_proof_of_an_edge():
    """Four points in a square, 25 mm² each: bounds of 25 and of the 3 by 3 cells between their neighbours."""
    zone = panel()
    suspect, beside, far = (np.zeros(zone.grid_shape, dtype=bool) for _ in range(3))
    suspect[5:7, 5:7] = beside[5:7, 7] = far[5:7, 10] = True
    (plain,), (doubted,), (distant,) = (
        indications(zone, suspect, doubtful=doubtful) for doubtful in (None, beside, far)
    )
    assert plain == distant
    assert (doubted.area_low_mm2, doubted.area_mm2) == (plain.area_low_mm2, plain.area_mm2)
    # Beyond its points an outline cuts the corners off: half a cell each.
    assert plain.area_high_mm2 == pytest.approx((9 - 2) * PITCH_MM**2, rel=0.01)
    assert doubted.area_high_mm2 == pytest.approx((12 - 2) * PITCH_MM**2, rel=0.01)


def test_a_point_of_another_area_is_never_in_doubt():
    """Two squares a column apart meet in no bound; the column between them may belong to either."""
    zone = panel()
    suspect, between = (np.zeros(zone.grid_shape, dtype=bool) for _ in range(2))
    suspect[5:7, 3:5] = suspect[5:7, 6:8] = True
    between[5:7, 5] = True
    plain = indications(zone, suspect)
    for one, before in zip(indications(zone, suspect, doubtful=between | suspect), plain, strict=True):
        assert before.area_high_mm2 < one.area_high_mm2 < before.area_high_mm2 + 4 * PITCH_MM**2


def test_a_doubtful_point_across_the_seam_counts():
    zone = tube()
    suspect, doubtful = (np.zeros(zone.grid_shape, dtype=bool) for _ in range(2))
    suspect[8:11, 0:3] = True
    doubtful[8:11, -1] = True
    (across,) = indications(zone, suspect, doubtful=doubtful)
    (within,) = indications(zone, np.roll(suspect, 6, axis=1), doubtful=np.roll(doubtful, 6, axis=1))
    (plain,) = indications(zone, suspect)
    assert across.area_high_mm2 == pytest.approx(within.area_high_mm2, rel=1e-9)
    assert across.area_high_mm2 > plain.area_high_mm2 + 2 * PITCH_MM**2


def test_an_area_is_of_points_where_damage_is_more_likely_than_not():
    zone = panel()
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    suspect[5:8, 5:8] = suspect[12, 12] = True
    probability = np.where(suspect, 0.9, 0.1)
    probability[12, 12] = 0.49
    probability[5, 5] = 0.5
    probability[15, 15] = 0.9
    (area,) = likely_areas(zone, suspect, probability, np.ones_like(probability))
    assert area.members.sum() == 9
    assert area.members[5:8, 5:8].all()


def test_an_area_is_listed_where_its_zone_shows_it_though_damage_elsewhere_sounds_otherwise():
    """The example of Benjamini and Hochberg (1995): of fifteen p-values four pass at 0.05 (from memory)."""
    zone, p_value = panel(), np.full(panel().grid_shape, np.nan)
    p_value[1:16:2, 1] = [0.0344, 0.0004, 0.3240, 0.0019, 0.0459, 0.0095, 0.0201, 0.0278]
    p_value[1:15:2, 4] = [0.0298, 0.0001, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    suspect = np.isfinite(p_value)
    areas = likely_areas(zone, suspect, np.where(suspect, 0.6, np.nan), p_value)
    assert sorted(p_value[area.members].item() for area in areas) == [0.0001, 0.0004, 0.0019, 0.0095]
    assert likely_areas(zone, suspect, np.where(suspect, 0.4, np.nan), p_value) == []
