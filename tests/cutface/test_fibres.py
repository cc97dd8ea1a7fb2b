"""Plies rendered with waves of known angle: what the structure tensor finds of them."""

import numpy as np
import pytest

from tapscan.cutface.fibres import fibre_angle_deg, propose_ply, structure_tensor
from tapscan.cutface.measures import measure_wrinkle
from tapscan.cutface.scale import scale_of
from tapscan.errors import TapscanError
from tests.cutface.photos import Camera, rendered

STRAIGHT = Camera(400, 240, 20.0)
TILTED = Camera(400, 240, 20.0, tilt_x_deg=18.0, tilt_y_deg=-12.0)
PITCH_MM = 0.25  # of plies, a dark and a light one by turns


def plies(height, length=10.0):
    """Dark plies on light ground, all of them waving by `height` over one wave in the middle."""

    def wave(x):
        return height / 2 * np.where(np.abs(x) < length / 2, 1 + np.cos(2 * np.pi * x / length), 0.0)

    return [(lambda x, y: (y - wave(x)) % PITCH_MM < PITCH_MM / 2, 70.0)]


def square(camera):
    corners = camera.px(np.array([-10.0, 10.0, 10.0, -10.0]), np.array([-10.0, -10.0, 10.0, 10.0]))
    return scale_of(corners, 20.0)


def box(camera, half_x=5.0, low=-2.5, high=2.5):
    return camera.px(np.array([-half_x, half_x, half_x, -half_x]), np.array([low, low, high, high]))


@pytest.mark.parametrize("camera", [STRAIGHT, TILTED], ids=["straight", "tilted"])
@pytest.mark.parametrize("height", [0.3, 0.8])
def test_the_largest_angle_of_a_proposed_ply_is_within_1_degree(camera, height):
    photo = rendered(camera, plies(height), noise=6.0, blur_px=1)
    line = propose_ply(photo, box(camera))
    surface = camera.px(np.array([-14.0, 14.0]), np.array([-8.0, -8.0]))
    found = measure_wrinkle(square(camera), line, surface)
    true_deg = np.degrees(np.arctan(np.pi * height / 10))
    assert found.angle_deg.value == pytest.approx(true_deg, abs=1.0)
    assert found.height_mm.value == pytest.approx(height, rel=0.01, abs=1 / 20)
    assert found.length_mm.value == pytest.approx(10.0, rel=0.01, abs=2 / 20)


@pytest.mark.parametrize("turn_deg", [-70.0, -30.0, 0.0, 12.0, 45.0, 89.0])
def test_straight_plies_at_any_angle(turn_deg):
    rows, columns = np.mgrid[:300, :300]
    turn = np.radians(turn_deg)
    rng = np.random.default_rng(3)
    grey = 120 + 50 * np.sin(2 * np.pi * (rows * np.cos(turn) - columns * np.sin(turn)) / 6)
    angle = fibre_angle_deg(structure_tensor(grey + rng.normal(0, 8, grey.shape), 6.0))
    away = (angle[40:-40, 40:-40] - turn_deg + 90) % 180 - 90
    assert np.abs(away).max() < 1.0
    line = propose_ply(grey, [[60, 60], [240, 60], [240, 240], [60, 240]])
    (dx, dy) = line[-1] - line[0]
    assert (np.degrees(np.arctan2(dy, dx)) - turn_deg + 90) % 180 - 90 == pytest.approx(0.0, abs=0.5)


def test_the_tensor_is_that_of_an_image_library():
    feature = pytest.importorskip("skimage.feature")
    rng = np.random.default_rng(1)
    rows, columns = np.mgrid[:120, :160]
    grey = np.sin(rows / 3 + 0.3 * np.sin(columns / 20)) + 0.1 * rng.normal(size=(120, 160))
    from scipy import ndimage

    # Its derivative is Sobel's; on a picture that is smooth both give the same directions.
    theirs = feature.structure_tensor(ndimage.gaussian_filter(grey, 1.0), sigma=5.0, order="rc")
    rr, rc, cc = theirs
    ours = fibre_angle_deg(structure_tensor(grey, 5.0))
    other = fibre_angle_deg((cc, rc, rr))
    away = (ours - other + 90) % 180 - 90
    assert np.abs(away[20:-20, 20:-20]).max() < 0.2


@pytest.mark.parametrize("seed", range(6))
def test_no_ply_is_proposed_where_there_is_none(seed):
    photo = np.random.default_rng(seed).normal(150, 8, (240, 400)).round()
    assert propose_ply(photo, [[20, 20], [380, 20], [380, 220], [20, 220]]) is None
    assert propose_ply(np.full((80, 90), 7), [[5, 5], [80, 5], [80, 70], [5, 70]]) is None


def test_a_region_of_a_few_pixels_shows_no_ply():
    photo = np.zeros((40, 60))
    photo[::2] = 100
    assert propose_ply(photo, [[20, 20], [26, 20], [26, 26], [20, 26]]) is None
    with pytest.raises(TapscanError, match="holds next to nothing of the photo"):
        propose_ply(photo, [[-50, -50], [-40, -50], [-40, -40]])
