import numpy as np
import pytest

from tapscan.plan import parse_point, point_name
from tapscan.sectioning.cuts import plan_cuts
from tests.sectioning.test_findings import found


def meets(cut, names):
    return bool(set(cut.points) & set(names))


AREA = ("BM-03-05", "BM-03-06", "BM-04-05", "BM-04-06", "BM-03-04")


def test_indications_first_at_their_strongest_point_then_the_other_way(screened):
    cuts = plan_cuts([screened(indications=[AREA])], [])
    first, second = cuts[:2]
    assert "through BM-T1 at its strongest point BM-03-05" in first.reason
    assert "BM-03-05" in first.points
    assert (first.station is None) != (second.station is None)
    assert "for its size the other way" in second.reason


def test_a_control_is_always_there(screened):
    cuts = plan_cuts([screened(indications=[AREA])], [])
    controls = [cut for cut in cuts if not meets(cut, AREA)]
    assert len(controls) == 1
    assert "as control and nothing else: only such cuts bring misses to light" in controls[0].reason


def test_a_control_that_was_cut_needs_no_other(screened):
    cuts = plan_cuts([screened(indications=[AREA])], [found("none", "07-01:07-12")])
    assert all(meets(cut, AREA) for cut in cuts)


def test_what_was_cut_is_not_cut_again(screened):
    rows = [found("none", "01-01:08-12"), found("delamination", "03-04:04-06")]
    assert plan_cuts([screened(indications=[AREA])], rows) == ()


def test_one_cut_through_several_areas_comes_before_one_through_one(screened):
    areas = [("BM-02-03",), ("BM-06-03",), ("BM-04-09",)]
    first, *_ = plan_cuts([screened(indications=areas)], [])
    assert (first.station, first.position) == (None, 3)


def test_points_near_the_limit_and_unread_ones_are_worth_a_cut(screened):
    near = {"BM-05-02": 0.9, "BM-05-07": 1.1, "BM-05-09": 0.95}
    cuts = plan_cuts([screened(scores=near, unread=["BM-05-11"])], [])
    assert (cuts[0].station, cuts[0].position) == (5, None)
    assert "3 near the limit (BM-05-02, BM-05-07, BM-05-09)" in cuts[0].reason
    assert "1 unread (BM-05-11)" in cuts[0].reason


def test_both_methods_ask_together(screened):
    tapped = screened(indications=[("BM-02-03",)])
    scanned = screened(indications=[("BM-02-04",)], method="ascan")
    first, *_ = plan_cuts([tapped, scanned], [])
    assert first.station == 2
    assert "BM-T1" in first.reason
    assert "BM-A1" in first.reason


def test_a_zone_with_nothing_in_it_gets_its_control_alone(screened):
    cuts = plan_cuts([screened(), screened("SP", method="ascan")], [])
    assert [cut.zone for cut in cuts] == ["BM", "SP"]


def test_a_zone_that_was_never_read_is_not_cut(screened):
    every = [point_name("SP", i, p) for i in range(1, 7) for p in range(1, 9)]
    cuts = plan_cuts([screened(), screened("SP", unread=every)], [])
    assert {cut.zone for cut in cuts} == {"BM"}


@pytest.mark.parametrize("seed", range(5))
def test_every_indication_is_met_and_worth_falls(screened, seed):
    rng = np.random.default_rng(seed)
    spots = rng.permutation(7 * 12)[:5]
    areas = [(f"BM-{spot // 12 + 1:02d}-{spot % 12 + 1:02d}",) for spot in spots]
    cuts = plan_cuts([screened(indications=areas)], [])
    met = {name for cut in cuts for name in cut.points}
    assert {area[0] for area in areas} <= met
    worth = [cut.worth for cut in cuts if meets(cut, [area[0] for area in areas])]
    assert worth == sorted(worth, reverse=True)
    for cut in cuts:
        along = {parse_point(name).station for name in cut.points}
        assert (len(along) == 1) == (cut.station is not None)
