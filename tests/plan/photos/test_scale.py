"""Pixels to millimetres against closed form: a pinhole camera over a flat face."""

import numpy as np
import pytest

from tapscan.plan.photos.scale import area_share, mm_per_px, polygon_area, tilt_deg, to_mm, to_px
from tests.plan.photos.views import FAR_MM, FOCAL_PX, circle_mm, layout, seen_px, square_mm

SQUARE = square_mm(30.0, at=(-60.0, 40.0))
DISC = circle_mm(50.0)
PLACES = np.array([(-50.0, 0.0), (0.0, 0.0), (20.0, 45.0), (31.0, -17.0)])


def apart(places):
    return np.linalg.norm(places[:, None] - places[None], axis=2)


@pytest.mark.parametrize("tilt", [0.0, 20.0, 50.0])
def test_a_printed_square_gives_true_distances_at_any_tilt(tilt):
    seen = layout(PLACES, DISC, tilt_deg=tilt, square=SQUARE)
    flat = to_mm(seen, seen_px(PLACES, tilt))
    assert apart(flat) == pytest.approx(apart(PLACES), abs=1e-8)


@pytest.mark.parametrize("tilt", [0.0, 10.0, 20.0, 30.0, 40.0, 50.0])
def test_a_disc_keeps_its_area_at_any_tilt(tilt):
    seen = layout(PLACES, DISC, tilt_deg=tilt, square=SQUARE)
    flat = to_mm(seen, np.array(seen.outline_px))
    # A ring of 720 corners has 0.9999873 of the disc.
    assert abs(polygon_area(flat)) == pytest.approx(np.pi * 50.0**2, rel=2e-5)


@pytest.mark.parametrize("tilt", [0.0, 20.0, 35.0, 50.0])
def test_the_tilt_is_estimated_from_a_square(tilt):
    # Perspective shortens by a little more than the cosine away from the middle of the picture.
    assert tilt_deg(layout(PLACES, DISC, tilt_deg=tilt, square=SQUARE)) == pytest.approx(tilt, abs=1.5)


def test_one_length_gives_the_scale_and_no_tilt():
    seen = layout(PLACES, DISC, lengths=[((-50.0, 0.0), (50.0, 0.0))])
    assert tilt_deg(seen) is None
    assert mm_per_px(seen, seen_px(PLACES)) == pytest.approx(FAR_MM / FOCAL_PX)
    assert apart(to_mm(seen, seen_px(PLACES))) == pytest.approx(apart(PLACES), abs=1e-8)


def test_two_lengths_across_each_other_show_the_tilt():
    crossed = [((-5.0, 0.0), (5.0, 0.0)), ((0.0, -5.0), (0.0, 5.0))]
    assert tilt_deg(layout(PLACES, DISC, tilt_deg=40.0, lengths=crossed)) == pytest.approx(40.0, abs=0.2)


def test_several_lengths_follow_a_scale_that_changes_over_the_picture():
    # Upright lengths on a face that leads away: they shrink with distance, and nothing else is to be seen.
    upright = [((x, -10.0), (x, 10.0)) for x in (-60.0, -20.0, 20.0, 60.0)]
    seen = layout(PLACES, DISC, tilt_deg=15.0, lengths=upright)
    ends = to_mm(seen, seen_px(np.array([(45.0, -10.0), (45.0, 10.0)]), 15.0))
    assert float(np.linalg.norm(ends[1] - ends[0])) == pytest.approx(20.0, rel=0.002)
    constant = layout(PLACES, DISC, tilt_deg=15.0, lengths=upright[1:2])
    ends = to_mm(constant, seen_px(np.array([(45.0, -10.0), (45.0, 10.0)]), 15.0))
    assert float(np.linalg.norm(ends[1] - ends[0])) < 0.99 * 20.0


@pytest.mark.parametrize(
    "scale",
    [
        {"square": SQUARE},
        {"lengths": [((-50.0, 0.0), (50.0, 0.0))]},
        {"lengths": [((x, -10.0), (x, 10.0)) for x in (-60.0, -20.0, 20.0, 60.0)]},
    ],
)
def test_millimetres_lead_back_to_the_same_pixels(scale):
    seen = layout(PLACES, DISC, tilt_deg=25.0, **scale)
    places = seen_px(PLACES, 25.0)
    assert to_px(seen, to_mm(seen, places)) == pytest.approx(places, abs=1e-6)


def test_the_face_is_as_the_picture_shows_it_whatever_the_turn_of_the_square():
    turned = SQUARE @ np.array([[0.0, 1.0], [-1.0, 0.0]]) + np.array([10.0, 5.0])
    seen = layout(PLACES, DISC, square=turned)
    flat = to_mm(seen, seen_px(PLACES))
    assert flat - flat[1] == pytest.approx(PLACES - PLACES[1], abs=1e-8)
    assert to_mm(seen, np.array(seen.outline_px)).min(axis=0) == pytest.approx([0.0, 0.0], abs=1e-9)


def test_bounds_hold_the_true_area_of_most_hastily_clicked_squares():
    rng = np.random.default_rng(3)
    within = []
    for _ in range(100):
        seen = layout(PLACES, DISC, tilt_deg=20.0, square=SQUARE)
        corners = np.array(seen.square.corners_px) + rng.normal(0, 2.0, (4, 2))
        clicked = type(seen)(
            seen.photo, "", (), type(seen.square)(tuple(map(tuple, corners)), 30.0), seen.outline_px, (), ()
        )
        area = abs(polygon_area(to_mm(clicked, np.array(seen.outline_px))))
        within.append(abs(area / (np.pi * 2500) - 1) <= area_share(clicked))
    assert np.mean(within) >= 0.9  # 95 of 100 expected; fewer than 90 by chance in 1 of 70 such runs


def test_a_small_square_is_less_sure_than_a_large_one():
    shares = [area_share(layout(PLACES, DISC, square=square_mm(side))) for side in (10.0, 30.0, 90.0)]
    assert shares[0] > shares[1] > shares[2] > 0
