"""Cut faces rendered with known voids, adhesive lines and wrinkles: how near, and how often within."""

import numpy as np
import pytest

from tapscan.cutface.measures import measure_outlines, measure_separation, measure_thickness, measure_wrinkle
from tapscan.cutface.porosity import measure_porosity
from tapscan.cutface.proposals import inside, propose_edges, propose_voids
from tapscan.cutface.scale import CLICK_SD_PX, EDGE_SD_PX, LENGTH_SD_MM, scale_of
from tests.cutface.photos import Camera, band, disc, ellipse, rendered

STRAIGHT = Camera(900, 600, 20.0)
TILTED = Camera(900, 600, 20.0, tilt_x_deg=18.0, tilt_y_deg=-12.0)
RUNS = 200
# Of 200 runs at 95 % the standard deviation is 1.5 %: below 90.4 % is three of them.
LEAST_HELD = 0.904


def square(camera, side=20.0):
    half = side / 2
    corners = camera.px(np.array([-half, half, half, -half]), np.array([-half, -half, half, half]))
    return scale_of(corners, side)


def bar(camera):
    return scale_of(camera.px(np.array([-10.0, 10.0]), np.array([12.0, 12.0])), 20.0)


def shaken(scale, rng):
    """The same scale as somebody else would have set it, and with another printer."""
    points = scale.points_px + rng.normal(0, CLICK_SD_PX, scale.points_px.shape)
    return scale_of(points, scale.length_mm + rng.normal(0, LENGTH_SD_MM))


@pytest.mark.parametrize("camera", [STRAIGHT, TILTED], ids=["straight", "tilted"])
def test_areas_of_proposed_voids_are_within_3_percent(camera):
    truths = [(-8.0, -4.0, 3.0, 1.2, 25.0), (2.0, 3.0, 1.5, 1.5, 0.0), (9.0, -5.0, 2.5, 0.8, -40.0)]
    photo = rendered(camera, [(ellipse(*truth), 40.0) for truth in truths], blur_px=2, noise=6.0)
    region = camera.px(np.array([-14.0, 14.0, 14.0, -14.0]), np.array([-9.0, -9.0, 9.0, 9.0]))
    found = propose_voids(photo, region)
    assert len(found) == 3
    scale = square(camera)
    areas = sorted(measure_outlines(scale, [one]).area_mm2.value for one in found)
    true = sorted(np.pi * a * b for _, _, a, b, _ in truths)
    assert np.abs(np.array(areas) / true - 1).max() < 0.03
    every = measure_outlines(scale, found, region)
    assert every.count == 3
    assert every.longest_mm.value == pytest.approx(6.0, abs=0.06 + 1 / 20)
    assert every.share is not None
    assert every.share.value == pytest.approx(sum(true) / (28 * 18), rel=0.03)


@pytest.mark.parametrize("seed", range(4))
def test_no_void_is_proposed_where_there_is_none(seed):
    photo = rendered(STRAIGHT, [], seed=seed, noise=8.0)
    assert propose_voids(photo, [[100, 100], [800, 100], [800, 500], [100, 500]]) == ()


@pytest.mark.parametrize("camera", [STRAIGHT, TILTED], ids=["straight", "tilted"])
def test_an_adhesive_line_is_within_1_percent_and_a_pixel_everywhere(camera):
    thick = lambda x: 0.8 + 0.02 * x  # noqa: E731 - a wedge, thicker to the right
    line = band(lambda x: -thick(x) / 2, lambda x: thick(x) / 2)
    photo = rendered(camera, [(line, 220.0)], blur_px=2)
    region = camera.px(np.array([-12.0, 12.0, 12.0, -12.0]), np.array([-1.5, -1.5, 1.5, 1.5]))
    pairs = propose_edges(photo, region)
    found = measure_thickness(square(camera), pairs)
    places = -12 + 24 * (np.arange(12) + 0.5) / 12
    assert found.count == 12
    limit = 0.01 * thick(places) + 1 / camera.px_per_mm
    assert (np.abs(np.array(found.each_mm) - thick(places)) < limit).all()
    assert found.mean_mm.value == pytest.approx(0.8, rel=0.01, abs=0.02)
    assert found.scatter_mm == pytest.approx(np.std(thick(places), ddof=1), abs=0.02)


def wave(x):
    return 1.5 + 0.35 * np.cos(2 * np.pi * x / 10)


@pytest.mark.parametrize("camera", [STRAIGHT, TILTED], ids=["straight", "tilted"])
def test_a_wrinkle_as_it_was_made(camera):
    x = np.linspace(-5, 5, 13)
    surface = camera.px(np.array([-14.0, 14.0]), np.zeros(2))
    found = measure_wrinkle(square(camera), camera.px(x, wave(x)), surface)
    assert found.height_mm.value == pytest.approx(0.7, rel=0.01, abs=0.05)
    assert found.length_mm.value == pytest.approx(10.0, rel=0.01, abs=0.05)
    true_deg = np.degrees(np.arctan(0.35 * 2 * np.pi / 10))
    assert found.angle_deg.value == pytest.approx(true_deg, abs=1.0)


def test_depth_and_length_of_a_separation():
    x = np.linspace(-6, 6, 9)
    line, surface = STRAIGHT.px(x, 0.9 + 0 * x), STRAIGHT.px(np.array([-14.0, 14.0]), np.zeros(2))
    found = measure_separation(bar(STRAIGHT), line, surface)
    assert found.length_mm.value == pytest.approx(12.0, rel=1e-6)
    assert found.depth_mm.value == pytest.approx(0.9, rel=1e-6)


def outcomes(camera, measure, clicks_px, truth, seed):
    """Share of intervals that hold the truth when clicks, edges and scale are off as much as assumed."""
    rng = np.random.default_rng(seed)
    base = square(camera)
    held = 0
    for _ in range(RUNS):
        clicks = clicks_px(rng.normal(0, EDGE_SD_PX) / camera.px_per_mm)
        clicks = clicks + rng.normal(0, CLICK_SD_PX, clicks.shape)
        found = measure(shaken(base, rng), clicks)
        held += found.low <= truth <= found.high
    return held / RUNS


@pytest.mark.slow
@pytest.mark.parametrize("camera", [STRAIGHT, TILTED], ids=["straight", "tilted"])
def test_intervals_hold_95_percent(camera):
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    pairs_x = np.repeat(np.linspace(-8, 8, 5), 2)
    surface = camera.px(np.array([-14.0, 14.0]), np.zeros(2))
    x = np.linspace(-6, 6, 5)

    def octagon(edge):
        # Corners go out by `edge` along the normals of a circle.
        return camera.px(3 + (2.5 + edge) * np.cos(turn), 2 + (2.5 + edge) * np.sin(turn))

    def layer(edge):
        return camera.px(pairs_x, np.tile([-0.6 - edge, 0.6 + edge], 5))

    def apart(_edge):
        return np.vstack([camera.px(x, 0.9 + 0 * x), surface])

    area = 8 * 2.5**2 * np.sin(np.pi / 8)
    cases = {
        "area": (lambda s, c: measure_outlines(s, [c]).area_mm2, octagon, area),
        "thickness": (lambda s, c: measure_thickness(s, c.reshape(-1, 2, 2)).mean_mm, layer, 1.2),
        "depth": (lambda s, c: measure_separation(s, c[:5], c[5:]).depth_mm, apart, 0.9),
    }
    for number, (name, (measure, clicks, truth)) in enumerate(cases.items()):
        share = outcomes(camera, measure, clicks, truth, seed=number)
        assert share >= LEAST_HELD, name


@pytest.mark.slow
@pytest.mark.parametrize("count", [40, 120])
def test_porosity_intervals_hold_95_percent(count):
    """Discs thrown at random (a Boolean model): the true share of the material is 1 - exp(-number·area)."""
    shape, radius, runs = (200, 300), 5, 150
    rng = np.random.default_rng(count)
    wide = (shape[0] + 4 * radius) * (shape[1] + 4 * radius)
    mean = count * wide / (shape[0] * shape[1])
    stamp = np.count_nonzero(
        np.hypot(*np.mgrid[-6:7, -6:7]) < radius
    )  # pixels of a disc on a whole-pixel middle
    truth = 1 - np.exp(-count / (shape[0] * shape[1]) * stamp)
    held = 0
    near = np.argwhere(np.hypot(*np.mgrid[-6:7, -6:7]) < radius) - 6
    for _ in range(runs):
        number = rng.poisson(mean)
        middles = np.column_stack(
            [
                rng.integers(-2 * radius, shape[0] + 2 * radius, number),
                rng.integers(-2 * radius, shape[1] + 2 * radius, number),
            ]
        )
        spots = (middles[:, None] + near[None]).reshape(-1, 2)
        spots = spots[((spots >= 0) & (spots < shape)).all(axis=1)]
        dark = np.zeros(shape, dtype=bool)
        dark[spots[:, 0], spots[:, 1]] = True
        found = measure_porosity(dark, np.ones(shape, dtype=bool))
        held += found.low <= truth <= found.high
    # Of 150 runs at 95 % the standard deviation is 1.8 %: three of them below.
    assert held / runs >= 0.897


def test_porosity_of_pixels_without_correlation_would_be_too_sure():
    """The interval of clustered voids is wider than that of as many single pixels."""
    rng = np.random.default_rng(1)
    clustered = np.zeros((200, 200), dtype=bool)
    for row, column in rng.integers(10, 190, (30, 2)):
        clustered[row - 4 : row + 4, column - 4 : column + 4] = True
    single = rng.permutation(clustered.ravel()).reshape(clustered.shape)
    whole = np.ones(clustered.shape, dtype=bool)
    wide, narrow = measure_porosity(clustered, whole), measure_porosity(single, whole)
    assert (wide.high - wide.low) > 4 * (narrow.high - narrow.low)


def test_inside_agrees_with_a_disc():
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    mask = inside(np.column_stack([50 + 20 * np.cos(turn), 40 + 20 * np.sin(turn)]), (90, 110))
    rows, columns = np.mgrid[:90, :110]
    assert np.count_nonzero(mask != disc(50, 40, 20)(columns, rows)) <= 8
