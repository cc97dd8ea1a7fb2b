"""What became of an indication: made-up calls and made-up differences, where the answer is plain."""

from dataclasses import replace

import numpy as np
import pytest

from tapscan.plan.text.reading import parse_plan
from tapscan.screening.areas.indications import Evidence, find_indications, label_areas, strength_of
from tapscan.screening.change.changes import Difference, ZoneChange, zone_change
from tapscan.screening.change.twins import matched
from tapscan.screening.results import Screened, TapEvidence

TUBE = """
[[zone]]
code = "BM"
shape = "tube"
stations = {stations}
positions = {positions}
station_pitch_mm = {pitch}
girth_mm = 120.0
"""
Block = tuple[slice, slice]


def zone(stations=20, positions=12, pitch=10.0):
    return parse_plan(TUBE.format(stations=stations, positions=positions, pitch=pitch)).zones[0]


def marked(grid, *blocks: Block) -> np.ndarray:
    mask = np.zeros(grid, dtype=bool)
    for rows, columns in blocks:
        mask[rows, np.arange(columns.start, columns.stop)[None] % grid[1]] = True
    return mask


def screened(*blocks: Block, unread: tuple[Block, ...] = (), of=None) -> Screened:
    """A zone with these areas called."""
    of = of or zone()
    grid = of.grid_shape
    suspect, missing = marked(grid, *blocks), marked(grid, *unread)
    status = np.where(missing, "unread", np.where(suspect & ~missing, "suspect", "clear"))
    score = np.where(missing, np.nan, np.where(suspect, 3.0, 0.3))
    areas = label_areas(status == "suspect", closed=True)
    nothing = np.zeros(0)
    return Screened(
        zone=of,
        method="tap",
        status=status,
        reason=np.where(missing, "missing", ""),
        score=score,
        p_value=np.where(suspect, 1e-9, 0.5),
        is_reference=np.zeros(grid, dtype=bool),
        features={"peak_hz": np.full(grid, 3000.0)},
        indications=find_indications(of, "tap", areas, Evidence(score, strength_of(score), missing)),
        baseline="made up.",
        evidence=TapEvidence(nothing, *(np.zeros((*grid, 0)) for _ in range(3))),
    )


def changed(before: Screened, after: Screened, *blocks: Block) -> ZoneChange:
    """Readings changed in these blocks and nowhere else."""
    match = matched(after.zone, before.zone)
    there = marked(after.zone.grid_shape, *blocks)
    read = (after.status != "unread") & match.marked(before.status != "unread")
    score = np.where(read, np.where(there, 3.0, 0.3), np.nan)
    p_value = np.where(read, np.where(there, 1e-9, 0.5), np.nan)
    probability = np.where(read, np.where(there, 0.99, 0.01), np.nan)
    return zone_change(after, before, match, Difference(score, p_value, probability, "made up."))


def kinds(change: ZoneChange) -> list[str]:
    return [one.kind for one in change.changes]


SMALL, LARGE = (slice(8, 11), slice(4, 7)), (slice(7, 12), slice(3, 8))
FAR = (slice(15, 18), slice(8, 11))
ACROSS = (slice(8, 11), slice(11, 14))


def test_new_is_what_was_not_there_and_whose_readings_changed():
    (one,) = changed(screened(), screened(SMALL), SMALL).changes
    assert (one.kind, one.id) == ("new", "BM-CT1")
    assert (one.before, [each.id for each in one.after]) == ((), ["BM-T1"])
    assert len(one.changed) == 9
    assert one.area_before_mm2 == 0


def test_called_only_now_but_unchanged_is_unsure():
    assert kinds(changed(screened(), screened(SMALL))) == ["unsure"]
    assert kinds(changed(screened(SMALL), screened())) == ["unsure"]


def test_grown_is_what_won_points_whose_readings_changed():
    (one,) = changed(screened(SMALL), screened(LARGE), LARGE).changes
    assert one.kind == "grown"
    assert one.area_after_mm2 > 2 * one.area_before_mm2


def test_a_larger_area_without_a_change_of_readings_has_not_grown():
    assert kinds(changed(screened(SMALL), screened(LARGE))) == ["unchanged"]


def test_a_change_inside_alone_moves_no_edge():
    assert kinds(changed(screened(LARGE), screened(LARGE), SMALL)) == ["unchanged"]


def test_an_edge_point_or_two_are_no_growth():
    wider = (slice(8, 11), slice(4, 8))
    step = (slice(8, 10), slice(7, 8))
    assert kinds(changed(screened(SMALL), screened(wider), step)) == ["unchanged"]


def test_shrunk_and_gone():
    assert kinds(changed(screened(LARGE), screened(SMALL), LARGE)) == ["shrunk"]
    assert kinds(changed(screened(SMALL), screened(), SMALL)) == ["gone"]


def test_what_moved_has_grown_where_it_won_more_than_it_lost():
    there, here = (slice(5, 9), slice(3, 6)), (slice(7, 14), slice(3, 6))
    assert kinds(changed(screened(there), screened(here), there, here)) == ["grown"]


def test_what_touches_belongs_together_and_the_rest_does_not():
    change = changed(screened(SMALL, FAR), screened(LARGE, FAR), LARGE)
    assert kinds(change) == ["grown", "unchanged"]


def test_areas_that_merged_are_one_growth():
    left, right = (slice(5, 8), slice(3, 6)), (slice(10, 13), slice(3, 6))
    merged = (slice(5, 13), slice(3, 6))
    (one,) = changed(screened(left, right), screened(merged), (slice(8, 10), slice(3, 6))).changes
    assert one.kind == "grown"
    assert [each.id for each in one.before] == ["BM-T1", "BM-T2"]


def test_an_area_across_the_seam_is_one():
    (one,) = changed(screened(ACROSS), screened(ACROSS)).changes
    assert one.kind == "unchanged"
    beside = (slice(8, 11), slice(1, 4))
    assert len(changed(screened(ACROSS), screened(beside)).changes) == 1


def test_what_the_other_did_not_read_is_unknown():
    assert kinds(changed(screened(unread=(LARGE,)), screened(SMALL), SMALL)) == ["unknown"]
    assert kinds(changed(screened(SMALL), screened(unread=(LARGE,)), SMALL)) == ["unknown"]


def test_readings_that_changed_where_nothing_is_called_are_reported():
    change = changed(screened(FAR), screened(FAR), SMALL)
    assert kinds(change) == ["unchanged", "elsewhere"]
    (_, one) = change.changes
    assert (one.before, one.after) == ((), ())
    assert set(one.shown[0].points) == set(one.changed)


@pytest.mark.parametrize(("probability", "kind"), [(0.79, []), (0.8, ["elsewhere"])])
def test_a_changed_point_is_an_area_where_a_change_is_likely_four_times_in_five(probability, kind):
    """A rare reading among many is marked all the same: its rate is what was requested."""
    before, after = screened(), screened()
    change = changed(before, after)
    score, p_value, likely = change.score.copy(), change.p_value.copy(), np.full(change.score.shape, 0.01)
    score[3, 3], p_value[3, 3], likely[3, 3] = 1.2, 0.005, probability
    match = matched(after.zone, before.zone)
    change = zone_change(after, before, match, Difference(score, p_value, likely, ""))
    assert change.count("changed") == 1
    assert kinds(change) == kind


def test_unread_points_say_in_which_inspection_and_why():
    change = changed(screened(unread=(SMALL,)), screened(unread=(FAR,)))
    assert set(change.reason[marked((20, 12), SMALL)]) == {"before: missing"}
    assert set(change.reason[marked((20, 12), FAR)]) == {"missing"}
    assert change.count("unread") == 18
    short = screened(of=zone(stations=12))
    beyond = changed(short, screened())
    assert set(beyond.reason[12:].ravel()) == {"before: no point here"}


def test_other_grids_are_matched_by_place():
    fine = zone(stations=40, positions=24, pitch=5.0)
    small = (slice(16, 22), slice(8, 14))
    (one,) = changed(screened(small, of=fine), screened(LARGE), LARGE).changes
    assert one.kind == "grown"
    (one,) = changed(screened(small, of=fine), screened(SMALL)).changes
    assert one.kind == "unchanged"
    assert one.area_before_mm2 == pytest.approx(one.area_after_mm2, rel=0.45)


def test_skipped_now_is_skipped_and_skipped_before_is_unread():
    after = screened()
    status = after.status.astype("<U8")
    status[0] = "skipped"
    change = changed(screened(), replace(after, status=status))
    assert change.count("skipped") == 12
    change = changed(replace(after, status=status), after)
    assert set(change.reason[0]) == {"before: left out"}
