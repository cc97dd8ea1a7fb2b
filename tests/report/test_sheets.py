import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.plan import Block, s_mm, x_mm
from tapscan.report.maps.figures import WIDTH_IN
from tapscan.report.marking.sheets import KEY_WIDTH_IN, Sheet, layout_of, sheet_of, thinned, turns_of
from tests.report.fabricated import panel, tapped, tube


def test_cells_are_centred_on_their_points_on_a_tapered_tube_too():
    zone = tube(end_mm=80.0)
    sheet = sheet_of(tapped(zone, spots=()))
    corners = sheet.corners_mm([Block(7, 5, 7, 5)], 0)[0]
    assert corners[:, 0].mean() == pytest.approx(x_mm(zone)[6, 4])
    assert corners[:, 1].mean() == pytest.approx(s_mm(zone)[6, 4])
    np.testing.assert_allclose(corners[:, 0], [60, 70, 70, 60])


def test_repeated_rows_are_a_girth_away():
    zone = tube(end_mm=80.0)
    sheet = sheet_of(tapped(zone, spots=()))
    block = [Block(7, 5, 7, 5)]
    moved = sheet.corners_mm(block, zone.positions) - sheet.corners_mm(block, 0)
    girth = np.array([114.0, 113.0, 113.0, 114.0])  # 120 to 80 mm over 40 stations: a millimetre each
    np.testing.assert_allclose(moved[0, :, 1], girth)


def test_the_sheet_repeats_as_much_as_an_area_across_the_seam_needs():
    assert sheet_of(tapped(tube(), spots=())).ghost == 2
    assert sheet_of(tapped(tube(), spots=((14, 1, 28.0),))).ghost == 4
    assert sheet_of(tapped(tube(), spots=((14, 1, 200.0),))).ghost == 6  # never more than half the girth
    assert sheet_of(tapped(tube(positions=1), spots=())).ghost == 0
    assert sheet_of(tapped(panel(), spots=())).ghost == 0


@given(st.integers(1, 3000), st.integers(1, 300), st.floats(0.5, 50), st.floats(1, 3000))
def test_strips_hold_every_station_once_and_fit_the_page(stations, positions, pitch_mm, girth_mm):
    zone = tube(
        stations=stations,
        positions=positions,
        station_pitch_mm=pitch_mm,
        girth_start_mm=girth_mm,
        girth_end_mm=girth_mm,
    )
    sheet = Sheet(zone, np.full(stations + 1, girth_mm / positions), min(2, positions // 2))
    layout = layout_of(sheet)
    assert [n for first, last in layout.strips for n in range(first, last)] == list(range(stations))
    longest_in = max(last - first for first, last in layout.strips) * pitch_mm * layout.in_per_mm
    assert longest_in < WIDTH_IN - KEY_WIDTH_IN * layout.key_beside
    assert len(layout.strips) * sheet.height_mm * layout.in_per_mm <= 7.5 + 1e-9


def test_a_long_thin_zone_is_drawn_in_several_strips():
    assert len(layout_of(sheet_of(tapped(tube(), spots=()))).strips) == 1
    assert len(layout_of(sheet_of(tapped(tube(stations=200), spots=()))).strips) > 1


def test_the_key_is_beside_a_map_only_where_the_map_is_no_smaller_for_it():
    assert not layout_of(sheet_of(tapped(tube(), spots=()))).key_beside
    assert layout_of(sheet_of(tapped(tube(stations=10), spots=()))).key_beside


def test_an_outline_shows_once_or_once_more_where_positions_repeat():
    sheet = sheet_of(tapped(tube(), spots=()))  # rows -2.5 to 13.5
    assert turns_of(np.array([-1.0, 2.0]), sheet) == [0, 1]
    assert turns_of(np.array([11.0, 14.0]), sheet) == [-1, 0]
    assert turns_of(np.array([4.0, 7.0]), sheet) == [0]
    assert turns_of(np.array([4.0, 7.0]) + 24, sheet) == [-2]
    assert turns_of(np.array([-1.0, 2.0]), sheet_of(tapped(panel(), spots=()))) == [0]


def test_numbers_along_an_edge_thin_out_before_they_touch():
    assert thinned(4, 1.0, 0.2) == [1, 2, 3, 4]
    assert thinned(7, 0.11, 0.2) == [1, 3, 5, 7]
    assert thinned(20, 0.05, 0.2) == [1, 5, 10, 15, 20]
