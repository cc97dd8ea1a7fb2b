import numpy as np
import pytest

from tapscan.sectioning.comparing import compare
from tapscan.sectioning.pod.trials import trials_of
from tapscan.sectioning.section_data import defect_columns, false_calls, section_document, separations_found
from tests.sectioning.conftest import at
from tests.sectioning.test_findings import found


def outcome_at(compared, name):
    return str(compared.outcome[at(name)])


def only(compared):
    (defect,) = compared.defects
    return defect


def test_uncut_is_never_sound_nor_a_hit_nor_a_false_call(plan, screened):
    called = screened(indications=[("BM-03-05", "BM-03-06")], lone=["BM-06-06"])
    compared = compare(plan, called, [])
    assert set(compared.outcome.ravel().tolist()) == {"not cut"}
    assert separations_found(compared).trials == false_calls(compared).trials == 0
    (judged,) = compared.indications
    assert (judged.verdict, judged.cut, judged.points) == ("open", 0, 2)


def test_every_outcome_of_a_point(plan, screened):
    called = screened(indications=[("BM-03-05",)], lone=["BM-03-09", "BM-05-01"], unread=["BM-03-12"])
    rows = [
        found("none", "03-01:03-12"),
        found("delamination", "03-05:03-06"),
        found("wrinkle", "05-01"),
    ]
    compared = compare(plan, called, rows)
    expected = {
        "BM-03-05": "hit",
        "BM-03-06": "miss",
        "BM-03-09": "false call",
        "BM-03-12": "unread",
        "BM-03-01": "clear and sound",
        "BM-05-01": "another flaw",
        "BM-04-05": "not cut",
    }
    assert {name: outcome_at(compared, name) for name in expected} == expected
    assert compared.reason[at("BM-03-06")] == "F1 was found at other points"
    assert compared.reason[at("BM-03-09")] == "nothing on the cut explains it"
    assert false_calls(compared).hits == 1
    assert false_calls(compared).trials == 9


def test_a_point_that_the_plan_skips_is_judged_as_unread(plan, screened):
    compared = compare(plan, screened(), [found("delamination", "08-12")])
    assert outcome_at(compared, "BM-08-12") == "unread"
    assert only(compared).verdict == "unread"
    assert only(compared).reason == "unread (left out of the plan)"


def test_a_hit_needs_an_indication_not_just_a_suspect_point(plan, screened):
    rows = [found("delamination", "03-05", length_mm=25.0, width_mm=25.0, depth_mm=0.4)]
    missed = only(compare(plan, screened(lone=["BM-03-05"]), rows))
    assert missed.verdict == "miss"
    assert "in no indication" in missed.reason
    assert only(compare(plan, screened(indications=[("BM-03-05",)]), rows)).verdict == "hit"


def test_across_the_seam(plan, screened):
    called = screened(indications=[("BM-03-12", "BM-03-01", "BM-04-12")])
    compared = compare(plan, called, [found("delamination", "03-11:04-02", depth_mm=0.5)])
    assert only(compared).verdict == "hit"
    assert only(compared).points == tuple(
        f"BM-{station}-{position}" for station in ("03", "04") for position in ("01", "02", "11", "12")
    )
    assert compared.count("hit") == 3
    assert compared.count("miss") == 5


def test_the_seam_may_be_anywhere(plan, screened):
    """Everything turned by some positions turns the outcome, and changes nothing else."""

    def turned(by):
        def name(station, position):
            return f"BM-{station:02d}-{(position - 1 + by) % 12 + 1:02d}"

        called = screened(indications=[(name(3, 5), name(3, 6))], lone=[name(5, 9), name(4, 7)])
        block = f"03-{name(3, 5)[-2:]}:03-{name(3, 7)[-2:]}"
        return compare(plan, called, [found("none", "03-01:06-12"), found("delamination", block)])

    first = turned(0)
    for by in (1, 6, 8):
        other = turned(by)
        np.testing.assert_array_equal(np.roll(other.outcome, -by, axis=1), first.outcome)
        np.testing.assert_array_equal(np.roll(other.reason, -by, axis=1), first.reason)
        assert other.defects[0].area_mm2 == first.defects[0].area_mm2


@pytest.mark.parametrize(
    ("method", "place", "more", "reason"),
    [
        ("tap", "04-05", {"depth_mm": 0.8, "area_mm2": 50.0}, "small for its depth"),
        ("tap", "04-05", {"area_mm2": 50.0}, "it may be between the points"),
        ("tap", "04-05", {"depth_mm": 1.6, "area_mm2": 3000.0}, "deep: behind the wall"),
        ("tap", "01-05", {"depth_mm": 0.2, "area_mm2": 3000.0}, "at the edge of the zone"),
        ("ascan", "04-05", {"depth_mm": 0.2, "area_mm2": 400.0}, "shallow: within 0.41 mm"),
        ("ascan", "04-05", {"depth_mm": 1.4, "area_mm2": 400.0}, "deep: beyond 1.2 mm"),
        ("ascan", "04-05", {"depth_mm": 0.8, "area_mm2": 10.0}, "narrower than the beam of 5 mm"),
    ],
)
def test_reasons_of_a_miss(plan, screened, method, place, more, reason):
    defect = only(compare(plan, screened(method=method), [found("delamination", place, **more)]))
    assert defect.verdict == "miss"
    assert reason in defect.reason
    assert defect.reason.endswith("its readings are like sound ones (score 0.40)")


def test_nearly_called(plan, screened):
    row = found("delamination", "04-05", depth_mm=0.3, length_mm=60.0, width_mm=60.0)
    defect = only(compare(plan, screened(scores={"BM-04-05": 0.93}), [row]))
    assert defect.reason == "just below the limit (score 0.93)"
    assert defect.score == 0.93


def test_partly_and_wholly_unread(plan, screened):
    rows = [found("delamination", "04-05:04-06", depth_mm=0.3, length_mm=60.0, width_mm=60.0)]
    partly = only(compare(plan, screened(unread=["BM-04-05"]), rows))
    assert (partly.verdict, partly.read) == ("miss", 1)
    assert partly.reason.startswith("unread at 1 of its points (silent); ")
    wholly = only(compare(plan, screened(unread=["BM-04-05", "BM-04-06"]), rows))
    assert (wholly.verdict, wholly.reason) == ("unread", "unread (silent)")
    assert np.isnan(wholly.score)


def test_in_the_shadow_of_another(plan, screened):
    rows = [
        found("delamination", "03-04:05-06", depth_mm=0.5, area_mm2=900.0),
        found("delamination", "04-05", depth_mm=1.0, area_mm2=400.0),
    ]
    upper, lower = compare(plan, screened(method="ascan"), rows).defects
    assert "in its shadow" in lower.reason
    assert "in its shadow" not in upper.reason


@pytest.mark.parametrize(
    ("rows", "area", "size_from"),
    [
        ([found("delamination", "04-05:04-06", area_mm2=150.0, length_mm=99.0, width_mm=9.0)], 150.0, "area"),
        (
            [
                found("delamination", "04-05", defect="D", length_mm=20.0),
                found("delamination", "04-06", defect="D", width_mm=10.0),
            ],
            np.pi / 4 * 200,
            "length and width",
        ),
        (
            [found("delamination", "04-05:04-06", length_mm=20.0), found("none", "03-01:05-12")],
            200.0,
            "points",
        ),
    ],
)
def test_size_and_what_it_rests_on(plan, screened, rows, area, size_from):
    called = screened(indications=[("BM-04-05", "BM-04-06", "BM-04-07")])
    defect = only(compare(plan, called, rows))
    assert defect.area_mm2 == pytest.approx(area)
    assert defect.size_from == size_from
    assert defect.size_mm == pytest.approx(2 * np.sqrt(area / np.pi))
    assert defect.area_ratio == pytest.approx(300 / area)
    assert defect.is_within_bounds == (150 <= area <= 450)


def test_no_size_is_reported_where_edges_were_not_cut(plan, screened):
    called = screened(indications=[("BM-04-05",)])
    defect = only(compare(plan, called, [found("delamination", "04-05")]))
    assert defect.verdict == "hit"
    assert defect.reported_area_mm2 is None


def test_no_size_is_reported_of_an_indication_that_two_defects_share(plan, screened):
    called = screened(indications=[("BM-04-05", "BM-04-06")])
    rows = [found("delamination", "04-05", area_mm2=80.0), found("delamination", "04-06", area_mm2=80.0)]
    compared = compare(plan, called, rows)
    assert [one.reported_area_mm2 for one in compared.defects] == [None, None]
    assert compared.indications[0].defects == ("F1", "F2")


@pytest.mark.parametrize(("void", "reported"), [("04-05", 200.0), ("04-06", None)])
def test_a_void_inside_a_separation_leaves_its_size_and_one_beside_it_does_not(
    plan, screened, void, reported
):
    called = screened(indications=[("BM-04-05", "BM-04-06")])
    rows = [found("delamination", "04-05", area_mm2=80.0), found("void", void, area_mm2=5.0)]
    defects = {one.kind: one for one in compare(plan, called, rows).defects}
    assert defects["delamination"].reported_area_mm2 == reported
    assert defects["void"].reported_area_mm2 is None


def test_depth_is_compared_with_depth(plan, screened):
    called = screened(indications=[("BM-04-05",)], method="ascan", depth_mm=0.62)
    defect = only(compare(plan, called, [found("delamination", "04-05", depth_mm=0.55, area_mm2=100.0)]))
    assert (defect.reported_depth_mm, defect.depth_error_mm) == (0.62, pytest.approx(0.07))


def test_verdicts_on_indications(plan, screened):
    called = screened(
        indications=[
            ("BM-02-02", "BM-02-03"),
            ("BM-04-05",),
            ("BM-06-05", "BM-06-06"),
            ("BM-07-09", "BM-07-10"),
        ]
    )
    rows = [
        found("delamination", "02-02"),
        found("porosity", "04-05"),
        found("none", "06-01:06-12"),
        found("none", "07-09"),
    ]
    result = compare(plan, called, rows).indications
    assert [one.verdict for one in result] == ["confirmed", "another flaw", "false", "open"]
    assert result[1].reason == "over porosity"
    assert result[2].reason == "nothing on the cut explains it"


def test_reasons_of_a_false_call(plan, screened):
    called = screened(lone=["BM-03-07", "BM-01-01"], scores={"BM-03-07": 1.1})
    compared = compare(plan, called, [found("none", "01-01:08-11"), found("delamination", "03-06")])
    assert compared.reason[at("BM-03-07")] == (
        "next to a defect, whose edge may be between the points; just above the limit (score 1.10)"
    )
    assert compared.reason[at("BM-01-01")] == "at the edge of the zone"


def test_another_kind_is_neither_hit_nor_miss(plan, screened):
    compared = compare(plan, screened(), [found("porosity", "04-05")])
    assert only(compared).verdict == "not called"
    assert separations_found(compared).trials == 0
    called = compare(plan, screened(indications=[("BM-04-05",)]), [found("porosity", "04-05")])
    assert only(called).verdict == "called"


def test_what_is_written(plan, screened):
    rows = [found("none", "03-01:03-12"), found("delamination", "03-05", depth_mm=0.4, note="soft")]
    compared = compare(plan, screened(indications=[("BM-03-05",)]), rows)
    document = section_document([compared], rows)
    assert len(document["points"]) == 12
    assert document["compared"][0]["defects_found"]["count"] == 1
    assert document["compared"][0]["points_by_outcome"]["not cut"] == 84
    assert document["findings"][1]["where"] == "BM-03-05"
    columns = defect_columns([compared])
    assert columns["verdict"] == ["hit"]
    assert columns["indications"] == ["BM-T1"]
    assert {len(column) for column in columns.values()} == {1}


def test_what_the_cut_made_is_neither_hit_nor_miss_nor_sound(plan, screened):
    called = screened(indications=[("BM-03-05", "BM-03-06")])
    rows = [found("none", "03-01:03-12"), found("delamination", "03-05:03-07", cause="cutting")]
    compared = compare(plan, called, rows)
    assert [outcome_at(compared, f"BM-03-{p:02d}") for p in (4, 5, 6, 7)] == [
        "clear and sound",
        "from cutting",
        "from cutting",
        "from cutting",
    ]
    defect = only(compared)
    assert (defect.verdict, defect.cause, defect.indications) == ("from cutting", "cutting", ())
    assert separations_found(compared).trials == 0
    assert false_calls(compared).hits == 0
    assert false_calls(compared).trials == 9
    (judged,) = compared.indications
    assert judged.verdict == "open"  # what was there before the saw came is not known
    (trials,) = trials_of([("part", [compared])])
    assert trials.size_mm.size == trials.unread == 0
    assert trials.sound_score.size == 9


def test_what_was_there_before_counts_over_what_the_cut_did_to_it(plan, screened):
    called = screened(indications=[("BM-03-05",)])
    rows = [
        found("delamination", "03-05:03-06", defect="A", cause="impact", starts_at="V1"),
        found("delamination", "03-05:03-07", defect="A", cause="cutting", length_mm=90.0, width_mm=90.0),
    ]
    compared = compare(plan, called, rows)
    assert [outcome_at(compared, f"BM-03-{p:02d}") for p in (5, 6, 7)] == ["hit", "miss", "from cutting"]
    defect = only(compared)
    assert (defect.verdict, defect.cause, defect.starts_at, defect.points) == (
        "hit",
        "impact",
        "V1",
        ("BM-03-05", "BM-03-06"),
    )
    assert defect.size_from == "points"
    columns = defect_columns(compared=[compared])
    assert (columns["cause"], columns["starts_at"]) == (["impact"], ["V1"])


def test_a_planar_void_is_another_flaw_and_no_false_call(plan, screened):
    called = screened(indications=[("BM-03-05",)])
    compared = compare(plan, called, [found("planar void", "03-05"), found("crack", "03-06")])
    assert outcome_at(compared, "BM-03-05") == outcome_at(compared, "BM-03-06") == "another flaw"
    assert [one.verdict for one in compared.defects] == ["called", "not called"]
    assert [one.verdict for one in compared.indications] == ["another flaw"]
