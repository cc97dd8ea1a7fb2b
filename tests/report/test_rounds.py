"""The round part: where places are seen, what is hidden, and what the picture holds."""

import numpy as np
import pytest

from tapscan.report.maps.figures import drawing
from tapscan.report.maps.layers import score_layer
from tapscan.report.maps.rounds import draw_round, swell_of, view_of
from tests.report.fabricated import boom, tapped, tube


def drawn(screened):
    with drawing():
        return draw_round(screened, score_layer(screened))


def on_side(axes, gid):
    return [artist for artist in axes.get_children() if artist.get_gid() == gid]


def test_positions_count_downward_and_stations_to_the_right():
    view = view_of(tube(), 0.0)
    _, up = view.seen_mm(np.zeros(3), np.array([-1.0, 0.0, 1.0]))
    assert (np.diff(up) < 0).all()
    right, _ = view.seen_mm(np.array([0.0, 200.0, 400.0]), np.zeros(3))
    assert (np.diff(right) > 0).all()
    # A point on the upper rim is its radius above the axis.
    _, top = view.seen_mm(np.array([0.0]), np.array([-3.0]))
    assert top == pytest.approx(120 / (2 * np.pi))


@pytest.mark.parametrize("end_mm", [120.0, 60.0, 200.0])
def test_what_faces_the_eye_is_what_nothing_hides(end_mm):
    """Judged by the body itself: the outward normal from two tangents, against the direction of sight."""
    zone = tube(stations=10, end_mm=end_mm)
    view = view_of(zone, 2.0)

    def place(x, column):
        radius = (120 + (end_mm - 120) * x / 100) / (2 * np.pi)
        angle = 2 * np.pi * (column - 2.0) / 12
        return np.array([x, -radius * np.sin(angle), radius * np.cos(angle)])  # along, up, toward the eye

    sight = np.array([-np.sin(view.yaw_rad), 0.0, np.cos(view.yaw_rad)])
    for column in np.linspace(-3.97, 7.93, 96):
        at = place(50.0, column)
        normal = np.cross(place(50.0, column + 1e-4) - at, place(50.01, column) - at)
        if normal @ np.array([0.0, at[1], at[2]]) < 0:
            normal = -normal
        assert (normal @ sight > 0) == (view.low < column < view.high)


def test_each_indication_is_seen_from_the_right_sides():
    figure = drawn(boom())
    sides = figure.axes
    assert len(sides) == 4
    # T1 is on the datum line (position 1), T2 opposite (position 7); both bulge over the rims beside them.
    assert on_side(sides[0], "indication BM-T1")
    assert not on_side(sides[0], "indication BM-T2")
    assert on_side(sides[2], "indication BM-T2")
    assert not on_side(sides[2], "indication BM-T1")
    assert on_side(sides[0], "datum line")
    assert not on_side(sides[2], "datum line")
    for side in sides:
        assert len(on_side(side, "unread")) == 1
        low, high = np.sort(side.get_ylim())
        for line in side.lines:
            assert (line.get_ydata() >= low).all()
            assert (line.get_ydata() <= high).all()


def test_every_cell_is_seen():
    zone = tube()
    seen = set()
    for quarter in range(4):
        view = view_of(zone, 3.0 * quarter)
        seen |= {int(column) % 12 for column in np.arange(np.ceil(view.low), view.high)}
    assert seen == set(range(12))


def test_lengths_are_in_proportion_unless_it_says_so():
    for screened in (boom(), tapped(tube(stations=200), spots=())):
        figure = drawn(screened)
        axes = figure.axes[0]
        box = axes.get_position()
        wide, high = figure.get_size_inches()
        across = box.width * wide / np.ptp(axes.get_xlim())
        upward = box.height * high / np.ptp(axes.get_ylim())
        assert across == pytest.approx(upward, rel=1e-6)
        said = any("times too thick" in text.get_text() for text in figure.texts)
        assert said == (swell_of(screened.zone) > 1)
    assert swell_of(tube(stations=200)) > 1


@pytest.mark.parametrize(
    "zone",
    [
        tube(stations=1, positions=1),
        tube(stations=2, positions=2),
        tube(stations=1, end_mm=900.0, positions=5),
    ],
)
def test_odd_tubes(zone):
    assert len(drawn(tapped(zone, spots=())).axes) == 4
