from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tapscan.plan import block_mask, point_name
from tapscan.report.pages import sentences
from tapscan.report.words import (
    blocks_of,
    bounds_text,
    depth_text,
    disc_text,
    length_text,
    place_in_words,
    range_in_mm,
    unread_by_reason,
)
from tapscan.screening.results import FEW_READ
from tests.report.fabricated import boom, panel, round_indication, scanned, tapped, tube


def indication_at(zone, *points):
    names = tuple(point_name(zone.code, station, position) for station, position in points)
    return replace(round_indication(zone, "tap", 1, points[0], 16.0), points=names)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([(12, 3)], "station 12, position 03"),
        ([(12, 3), (15, 6)], "stations 12 to 15, positions 03 to 06"),
        ([(12, 12), (13, 1)], "stations 12 to 13, positions 12 to 01, across the datum line"),
        (
            [(12, 11), (15, 2), (14, 1), (14, 12)],
            "stations 12 to 15, positions 11 to 02, across the datum line",
        ),
        ([(7, p) for p in range(1, 13)], "station 07, all the way round"),
        ([(7, p) for p in range(1, 12)], "station 07, positions 01 to 11"),
    ],
)
def test_a_place_on_a_tube_is_given_by_the_numbers_on_the_part(points, words):
    zone = tube()
    assert place_in_words(indication_at(zone, *points), zone) == words


def test_a_panel_has_no_seam_to_cross():
    zone = panel()
    assert place_in_words(indication_at(zone, (3, 1), (3, 16)), zone) == "station 03, positions 01 to 16"


def test_a_single_position_is_not_all_the_way_round():
    zone = tube(positions=1)
    assert place_in_words(indication_at(zone, (3, 1)), zone) == "station 03, position 01"


def test_lengths_areas_and_depths_read_as_on_a_tape_measure():
    zone = tube()
    one = round_indication(zone, "tap", 1, (14, 1), 16.0)
    assert range_in_mm(one, zone) == "x = 119 to 151 mm, s = 104 to 16 mm"
    assert bounds_text(one) == "563 to 1,210"
    assert depth_text(one, zone) == "a tap test gives no depth"
    assert depth_text(round_indication(zone, "ascan", 1, (14, 1), 16.0, 0.604), zone) == "0.60 mm"
    assert depth_text(round_indication(zone, "ascan", 1, (14, 1), 16.0), zone) == "no echo from inside"


def test_inches_are_written_beside_millimetres_when_the_plan_asks_for_them():
    zone = tube(units="in")
    one = round_indication(zone, "ascan", 1, (14, 1), 16.0, 0.604)
    assert range_in_mm(one, zone) == "x = 119 to 151 mm (4.69 to 5.94 in), s = 104 to 16 mm (4.09 to 0.63 in)"
    assert depth_text(one, zone) == "0.60 mm (0.0238 in)"
    assert disc_text(706.86, zone) == "a disc 30 mm (1.18 in) across"
    assert disc_text(706.86, tube()) == "a disc 30 mm across"
    assert length_text(10.0, zone) == "10 mm (0.394 in)"


@pytest.mark.parametrize(
    ("side", "points", "words"),
    [
        ("top", [(12, 11), (12, 2)], "positions 11 to 02, across the datum line (top, 10 to 1 o'clock)"),
        ("right", [(12, 1)], "position 01 (right, 3 o'clock)"),
        ("bottom", [(12, 4), (12, 5)], "positions 04 to 05 (left, 9 to 10 o'clock)"),
        ("left", [(12, 3), (12, 4)], "positions 03 to 04 (top, 11 to 12 o'clock)"),
    ],
)
def test_a_place_on_a_tube_is_given_by_the_clock_too_when_the_plan_says_how_it_is_held(side, points, words):
    zone = tube(datum_side=side)
    assert place_in_words(indication_at(zone, *points), zone) == f"station 12, {words}"


def test_a_place_on_a_panel_is_given_by_its_sides():
    zone = panel(datum_side="bottom")
    assert place_in_words(indication_at(zone, (3, 15), (3, 16)), zone).endswith(
        "15 to 16 (near the top edge)"
    )
    assert place_in_words(indication_at(zone, (3, 8)), zone).endswith("08 (between bottom and top)")


masks = arrays(bool, st.tuples(st.integers(1, 9), st.integers(1, 9)))


@given(masks)
def test_blocks_hold_every_marked_point_once_and_no_other(mask):
    zone = panel(stations=mask.shape[0], positions=mask.shape[1])
    blocks = blocks_of(mask)
    np.testing.assert_array_equal(block_mask(zone, blocks), mask)
    assert sum(int(block_mask(zone, [block]).sum()) for block in blocks) == mask.sum()


def test_a_filled_zone_is_one_block():
    assert [str(block) for block in blocks_of(np.ones((40, 12), dtype=bool))] == ["01-01:40-12"]


def test_unread_points_are_grouped_by_reason_the_most_frequent_first():
    screened = tapped(tube(), unread=[(1, 1), (2, 1), (9, 4), (3, 1)], reasons=("silent", "silent", "noisy"))
    groups = [
        (reason, count, [str(b) for b in blocks]) for reason, count, blocks in unread_by_reason(screened)
    ]
    assert groups == [("silent", 3, ["01-01:03-01"]), ("noisy", 1, ["09-04"])]


def test_the_counts_are_always_together():
    assert sentences.counts(boom()) == (
        "Main boom (BM), tap test: of 476 planned points, 454 are clear, 14 suspect and 8 unread; "
        "4 more were left out on purpose."
    )


def test_suspect_points_outside_the_indications_are_not_passed_over():
    screened = boom()
    assert sentences.single_points(screened) == ""
    alone = replace(screened, indications=screened.indications[:1])
    apart = screened.count("suspect") - len(screened.indications[0].points)
    assert sentences.single_points(alone).startswith(f"{apart} suspect points are apart from the numbered")


def test_suspect_points_at_a_rim_are_reported_from_those_apart():
    screened = boom()
    first = screened.indications[0]
    inside = replace(
        screened, indications=(replace(first, points=first.points[1:]), *screened.indications[1:])
    )
    assert sentences.single_points(inside) == (
        "1 suspect point beside an indication is more likely sound than damaged: the rim runs there."
    )


def test_where_few_readings_say_what_is_good_more_calls_by_chance_are_reported():
    few = replace(boom(), baseline=f"Forty readings. {FEW_READ}")
    usual = "About 1 in 200 sound points is expected to be called suspect by chance"
    assert sentences.chance(0.005, (boom(),)) == f"{usual}."
    assert (
        sentences.chance(0.005, (few,)) == f"{usual}; several times as many in zone BM, where few were read."
    )


def test_the_summary_names_the_largest_area_and_never_calls_a_part_sound():
    result = sentences.summary([boom(), scanned(panel())])
    assert result[0].startswith("3 indications were raised")
    assert (
        "BM-T1, is on Main boom (BM) at stations 13 to 15, positions 12 to 02, across the datum line"
        in result[1]
    )
    assert "804 mm², as large as a disc 32 mm across" in result[1]
    assert sentences.summary([tapped(tube(), spots=())])[-1] == "That is not proof that the part is sound."


def test_a_reading_is_reported_beside_what_clear_points_read():
    screened = scanned(panel())
    level = np.full(screened.zone.grid_shape, -8.0)
    level[7, 5] = -24.25
    result = replace(screened, features={"backwall_db": level, "centroid_hz": np.full_like(level, np.nan)})
    caption = sentences.evidence_caption(result, result.indications[0])
    assert "At PL-08-06, with the median of the clear points in brackets" in caption
    assert "back-wall echo −24.2 dB (−8.0 dB)." in caption
    assert "brackets" not in sentences.evidence_caption(replace(screened, features={}), result.indications[0])


def test_nothing_read_is_reported_as_nothing_known():
    unread = tapped(tube(), spots=(), unread=[(i, p) for i in range(1, 41) for p in range(1, 13)])
    assert sentences.summary([unread]) == ["No point could be read, so nothing is known about the part."]
