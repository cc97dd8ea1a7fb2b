from dataclasses import replace

import numpy as np
import pytest
from matplotlib.path import Path

from tapscan.plan import x_mm
from tapscan.plan.developed import columns, developed_mm, edge_mm
from tapscan.plan.surfaces import s_mm
from tapscan.report.marking.naming import names_of
from tapscan.report.marking.outlining import outlines_of
from tapscan.report.marking.tagging import placed, tag_size_mm
from tests.report.fabricated import panel, tapped, tube

NARROW = replace(tube(stations=30), girth_start_mm=60.0, girth_end_mm=60.0)
ZONES = [NARROW, tube(), tube(stations=30, end_mm=80.0), panel(), tube(code="LONGNAME")]
SPOTS = ((10, 1, 9.0), (20, 7, 14.0), (2, 4, 8.0), (22, 3, 8.0), (23, 10, 10.0))


def everywhere(zone):
    return np.ones(zone.grid_shape, dtype=bool)


def points(zone):
    return developed_mm(zone, x_mm(zone), columns(zone, x_mm(zone), s_mm(zone))).reshape(-1, 2)


@pytest.mark.parametrize("zone", ZONES)
def test_no_name_runs_over_the_far_edge_and_each_is_right_of_its_point(zone):
    names = names_of(zone, everywhere(zone))
    assert len(names.words) >= 4
    end_mm = edge_mm(zone)[:, 0].max()
    assert (names.box_mm[:, 2] < end_mm).all()
    first = {word.removeprefix(f"{zone.code}-") for word in names.words}
    assert "01-01" in first
    nearest = np.hypot(*(names.place_mm[:, None] - points(zone)).T).min(axis=0)
    assert nearest == pytest.approx(np.hypot(0.5, 0.8))
    # Names of one row do not run into each other.
    for top in np.unique(names.box_mm[:, 1]):
        row = names.box_mm[names.box_mm[:, 1] == top]
        row = row[np.argsort(row[:, 0])]
        assert (row[1:, 0] > row[:-1, 2]).all()


def test_the_last_station_has_its_name_short_and_small():
    names = names_of(tube(), everywhere(tube()))
    (last,) = [i for i, word in enumerate(names.words) if word == "40-12"]
    assert 3.8 <= names.size_pt[last] < names.size_pt[0]
    assert "BM-39-12" in names.words


@pytest.mark.parametrize("zone", ZONES[:4])
def test_tags_touch_their_outline_and_cover_no_name_no_point_and_no_other_tag(zone):
    size_pt = 6.0 if zone in (NARROW, ZONES[3]) else 9.0
    outlines = outlines_of([tapped(zone, spots=SPOTS)])
    names = names_of(zone, everywhere(zone), tag_size_mm("T1", size_pt)[1])
    middles = placed(outlines, size_pt, names.box_mm, points(zone), edge_mm(zone))
    assert len(middles) == len(outlines) == 5
    half = np.array(tag_size_mm("T1", size_pt)) / 2
    boxes = [(middle - half, middle + half) for middle in middles]
    paper = Path(edge_mm(zone))
    for number, (low, high) in enumerate(boxes):
        assert paper.contains_points([low, high]).all()
        assert not ((points(zone) > low) & (points(zone) < high)).all(axis=1).any()
        covered = (names.box_mm[:, :2] < high) & (names.box_mm[:, 2:] > low)
        assert not covered.all(axis=1).any()
        others = boxes[:number] + boxes[number + 1 :]
        assert not any((low < top).all() and (high > bottom).all() for bottom, top in others)
        line = np.vstack(outlines[number].lines)
        assert np.abs(line - middles[number]).max(axis=1).min() < half.max() + 1.0
