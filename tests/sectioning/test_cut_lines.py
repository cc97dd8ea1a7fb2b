"""Cuts over a photo: which lines there are, which of them are worth it, and where they are drawn."""

import numpy as np
import pytest

from tapscan.plan.photos.cells import cells_of
from tapscan.plan.text.reading import parse_plan
from tapscan.report.cuts.lines import draw_cuts
from tapscan.report.maps.figures import drawing
from tapscan.sectioning.cut_lines import cut_lines
from tapscan.sectioning.cuts import plan_cuts
from tests.test_photo_zone import (
    PITCH_MM,
    POSITIONS,
    STATIONS,
    lattice,
    listed,
    photo_plan,
    scattered,
    with_photo,
)


@pytest.fixture(params=[lattice, scattered])
def plan(request):
    """The same places under names that form a grid, and under names that say nothing."""
    return parse_plan(photo_plan(listed(request.param())))


def named_at(zone, x_mm, s_mm):
    places = cells_of(zone.layout).at_mm
    point = zone.layout.points[int(np.argmin(np.hypot(*(places - (x_mm, s_mm)).T)))]
    return f"LG-{point.station:02d}-{point.position:02d}"


def test_straight_lines_through_a_square_grid_are_its_rows_and_columns(plan):
    lines = cut_lines(plan.zone("LG"))
    assert [line.way for line in lines] == ["across"] * STATIONS + ["along"] * POSITIONS
    for line in lines:
        x, s, to_x, to_s = line.ends_mm
        is_across = line.way == "across"
        assert line.at[0].size == (POSITIONS if is_across else STATIONS)
        assert (to_x == x) if is_across else (to_s == s)
        assert np.hypot(to_x - x, to_s - s) == pytest.approx(PITCH_MM * line.at[0].size, abs=0.02)


def test_a_line_shows_what_is_within_half_a_spacing(plan):
    zone = plan.zone("LG")
    line = next(one for one in cut_lines(zone) if one.way == "across" and one.ends_mm[0] == 35.0)
    names = [f"LG-{i + 1:02d}-{p + 1:02d}" for i, p in zip(*line.at, strict=True)]
    assert names == [named_at(zone, 35.0, PITCH_MM * (p + 0.5)) for p in range(POSITIONS)]


def test_an_area_is_cut_through_its_strongest_point_then_the_other_way(plan, screened):
    zone = plan.zone("LG")
    area = [named_at(zone, x, s) for x, s in ((55, 45), (65, 45), (55, 55), (65, 55), (65, 65))]
    found = screened("LG", indications=[area])
    first, second, *rest = plan_cuts([found], [])
    assert "through LG-T1 at its strongest point" in first.reason
    assert "for its size the other way" in second.reason
    ways = [cut.ends_mm[0] == cut.ends_mm[2] for cut in (first, second)]
    assert sorted(ways) == [False, True]
    assert (first.station, first.position) == (None, None)
    assert first.along == f"straight from {first.points[0]} to {first.points[-1]}"
    assert any("as control and nothing else" in cut.reason for cut in rest)


def test_cuts_are_drawn_over_the_photo_where_the_saw_goes(plan, screened, tmp_path):
    with_photo(tmp_path)
    found = screened("LG", indications=[[named_at(plan.zone("LG"), 55, 45)]])
    cuts = plan_cuts([found], [])
    with drawing():
        figure = draw_cuts(found, cuts, tmp_path)
    held = {one.get_gid(): one for one in figure.findobj() if str(one.get_gid()).startswith("cut ")}
    assert set(held) == {f"cut {n}" for n in range(1, len(cuts) + 1)}
    x, s, *_ = cuts[0].ends_mm
    # The outline's corner is at 100, 100; 5 pixels are a millimetre.
    assert held["cut 1"].get_xydata()[0] == pytest.approx([100 + 5 * x, 100 + 5 * s], abs=0.1)
