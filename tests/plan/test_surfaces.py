import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.plan import Block, Laminate, Zone, block_mask, cell_area_mm2, girth_mm, s_mm, walk, x_mm
from tapscan.plan.surfaces import slant

NOTHING = Laminate(None, None, None, None, None)


def tube(stations=4, positions=6, pitch_mm=10.0, start_mm=120.0, end_mm=120.0, **more):
    return Zone("BM", "", "tube", stations, positions, pitch_mm, start_mm, end_mm, None, NOTHING, **more)


def panel(stations=4, positions=6, pitch_mm=10.0, across_mm=15.0, **more):
    return Zone("PL", "", "panel", stations, positions, pitch_mm, None, None, across_mm, NOTHING, **more)


def test_stations_sit_in_the_middle_of_their_pitch_and_positions_begin_on_the_datum_line():
    assert x_mm(tube())[:, 0].tolist() == [5.0, 15.0, 25.0, 35.0]
    assert s_mm(tube())[0].tolist() == [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
    assert s_mm(panel())[3].tolist() == [0.0, 15.0, 30.0, 45.0, 60.0, 75.0]
    assert x_mm(panel()).shape == s_mm(tube()).shape == (4, 6)


def test_a_taper_is_linear_between_the_edges():
    assert girth_mm(tube(start_mm=120, end_mm=80)).tolist() == [115.0, 105.0, 95.0, 85.0]
    assert s_mm(tube(start_mm=120, end_mm=80))[3, 1] == pytest.approx(85 / 6)


def test_a_panel_has_no_girth():
    with pytest.raises(ValueError, match="zone PL is a panel and has no girth"):
        girth_mm(panel())


def test_cells_of_a_straight_tube_and_a_panel():
    assert cell_area_mm2(tube()) == pytest.approx(np.full((4, 6), 200.0))
    assert cell_area_mm2(panel()) == pytest.approx(np.full((4, 6), 150.0))


@given(
    stations=st.integers(1, 30),
    positions=st.integers(1, 30),
    pitch_mm=st.floats(0.5, 50),
    start_mm=st.floats(20, 500),
    end_mm=st.floats(20, 500),
)
def test_the_cells_of_a_tapered_tube_add_up_to_the_frustum(stations, positions, pitch_mm, start_mm, end_mm):
    zone = tube(stations, positions, pitch_mm, start_mm, end_mm)
    r1, r2, height = start_mm / (2 * math.pi), end_mm / (2 * math.pi), stations * pitch_mm
    # Lateral surface of a conical frustum: π (r₁ + r₂) √(h² + (r₁ - r₂)²). (Elementary geometry.)
    lateral = math.pi * (r1 + r2) * math.hypot(height, r1 - r2)
    assert cell_area_mm2(zone).sum() == pytest.approx(lateral, rel=1e-9)


def test_a_block_across_the_seam():
    mask = block_mask(tube(), [Block(2, 5, 3, 2)])
    assert np.argwhere(mask).tolist() == [[i, p] for i in (1, 2) for p in (0, 1, 4, 5)]


@settings(max_examples=60)
@given(data=st.data())
def test_turning_the_datum_line_turns_every_block_with_it(data):
    zone = tube(5, 7)
    block = Block(
        data.draw(st.integers(1, 3)), data.draw(st.integers(1, 7)),
        data.draw(st.integers(3, 5)), data.draw(st.integers(1, 7)),
    )  # fmt: skip
    turn = data.draw(st.integers(0, 6))
    turned = Block(
        block.first_station, (block.first_position - 1 + turn) % 7 + 1,
        block.last_station, (block.last_position - 1 + turn) % 7 + 1,
    )  # fmt: skip
    width = (block.last_position - block.first_position) % 7 + 1
    mask = block_mask(zone, [block])
    assert mask.sum() == width * (block.last_station - block.first_station + 1)
    assert np.array_equal(np.roll(mask, turn, axis=1), block_mask(zone, [turned]))


def test_several_blocks_and_none():
    assert block_mask(tube(), []).sum() == 0
    assert block_mask(tube(), [Block(1, 1, 1, 1), Block(1, 1, 2, 1)]).sum() == 2


def test_the_walk_goes_station_by_station_and_leaves_skips_out():
    zone = tube(2, 4, skip=(Block(1, 4, 2, 1),))
    assert walk(zone) == [(1, 2), (1, 3), (2, 2), (2, 3)]


@pytest.mark.parametrize(("start_mm", "end_mm"), [(120, 120), (120, 80), (80, 120)])
def test_the_slant_is_the_wall_over_the_axis(start_mm, end_mm):
    zone = tube(4, 6, 10.0, start_mm, end_mm)
    radii_mm = abs(start_mm - end_mm) / (2 * math.pi)
    assert slant(zone) == pytest.approx(math.sqrt(40.0**2 + radii_mm**2) / 40.0)
    assert slant(panel()) == 1.0
