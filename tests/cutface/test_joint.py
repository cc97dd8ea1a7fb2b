"""A bonded joint rendered with adhesive of known thickness on both faces: thin above, thick below."""

import numpy as np
import pytest

from tapscan.cutface.joint import joint_spread, thicker_by
from tapscan.cutface.proposals import propose_edges
from tapscan.cutface.scale import LENGTH_SD_MM, scale_of
from tests.cutface.photos import Camera, band, rendered

TILTED = Camera(900, 600, 20.0, tilt_x_deg=18.0, tilt_y_deg=-12.0)


def upper(x):
    return 0.3 + 0.005 * x


def lower(x):
    return 0.9 - 0.02 * x


# An insert of 4 mm between two walls; y is down.
LAYERS = (
    (band(lambda x: 0 * x - 2 - upper(x), lambda x: 0 * x - 2.0), 220.0),
    (band(lambda x: 0 * x + 2, lambda x: 2 + lower(x)), 220.0),
    (band(lambda x: 0 * x - 2, lambda x: 0 * x + 2.0), 60.0),
)


def square(camera):
    corners = camera.px(np.array([-10.0, 10.0, 10.0, -10.0]), np.array([-10.0, -10.0, 10.0, 10.0]))
    return scale_of(corners, 20.0)


def strip(camera, low, high):
    return camera.px(np.array([-12.0, 12.0, 12.0, -12.0]), np.array([low, low, high, high]))


def test_both_faces_of_a_joint_by_proposal_and_side_by_side():
    photo = rendered(TILTED, LAYERS, ground=110.0, blur_px=1)
    scale = square(TILTED)
    faces = {
        "above": propose_edges(photo, strip(TILTED, -2.8, -1.4)),
        "below": propose_edges(photo, strip(TILTED, 1.4, 3.6)),
    }
    surface = TILTED.px(np.array([-14.0, 14.0]), np.array([-6.0, -6.0]))
    found = joint_spread(scale, faces, surface)
    assert [one.face for one in found] == ["above", "below"]
    for one, true in zip(found, (upper, lower), strict=True):
        middles = faces[one.face].mean(axis=1)
        x = TILTED.mm(*middles.T[:, None])[0][0]
        assert np.abs(np.diff(one.along_mm) - np.diff(x)).max() < 0.01
        assert (np.abs(one.thickness_mm - true(x)) < 0.01 * true(x) + 1 / 20).all()
        assert (one.sd_mm > 0).all()
    more = thicker_by(scale, faces["below"], faces["above"])
    assert more.value == pytest.approx(0.6, abs=2 * more.sd)


def test_a_curved_joint_is_rolled_out_along_its_outer_surface():
    scale = scale_of([[0, 0], [200, 0]], 20.0)
    turn = np.radians(np.linspace(-60, 60, 9))
    around = np.column_stack([np.sin(turn), -np.cos(turn)])
    fine = np.radians(np.linspace(-80, 80, 400))
    surface = 300 + 100 * np.column_stack([np.sin(fine), -np.cos(fine)])  # a tube of 20 mm across
    pairs = np.stack([300 + 90 * around, 300 + 87 * around], axis=1)
    (rolled,) = joint_spread(scale, {"": pairs}, surface)
    assert rolled.thickness_mm == pytest.approx(np.full(9, 0.3), abs=1e-6)
    assert rolled.along_mm[-1] == pytest.approx(np.radians(120) * 10, rel=2e-3)
    (flat,) = joint_spread(scale, {"": pairs})
    assert flat.along_mm[-1] == pytest.approx(2 * 8.85 * np.sin(np.radians(60)), rel=1e-3)


@pytest.mark.parametrize("turn_deg", [0, 90, 200])
def test_places_are_in_order_along_the_joint_whatever_order_they_were_clicked_in(turn_deg):
    scale = scale_of([[0, 0], [100, 0]], 10.0)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    along = np.array([50.0, 0.0, 80.0, 20.0])
    pairs = np.stack([np.column_stack([along, 0 * along]), np.column_stack([along, 4 + along / 10])], axis=1)
    (found,) = joint_spread(scale, {"": 500 + pairs @ np.array([[c, s], [-s, c]])})
    steps = np.diff(found.along_mm)
    assert found.along_mm[0] == 0
    assert (steps > 0).all()
    expected = np.sort(0.4 + along / 100)
    assert sorted(found.thickness_mm) == pytest.approx(expected)
    assert np.all(np.diff(found.thickness_mm) > 0) or np.all(np.diff(found.thickness_mm) < 0)


def test_the_doubt_of_the_difference_leaves_out_what_both_faces_share():
    scale = scale_of([[0, 0], [200, 0]], 20.0, click_sd_px=0.001)
    layer = lambda low, high: [[[x, low], [x, high]] for x in (10.0, 50.0, 90.0)]  # noqa: E731
    same = thicker_by(scale, layer(50, 60), layer(10, 20))
    assert same.sd < 0.002  # edges and the scale's length are the same for both
    more = thicker_by(scale, layer(50, 70), layer(10, 20))
    assert (more.value, more.sd) == pytest.approx((1.0, LENGTH_SD_MM / 20), rel=0.01)
