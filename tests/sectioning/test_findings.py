from dataclasses import replace

from tapscan.plan import parse_block
from tapscan.sectioning.findings.learning import known_points
from tapscan.sectioning.findings.recorded import Finding, defects_of, doubts, shown


def found(kind, *blocks, zone="BM", **more):
    return Finding(kind, zone, tuple(parse_block(block) for block in blocks), **more)


def test_nothing_cut_is_not_known(plan):
    result = shown(plan.zone("BM"), [])
    assert set(result.ravel().tolist()) == {"not cut"}
    known = known_points(plan.zone("BM"), [])
    assert not known.good.any()
    assert not known.bad.any()


def test_what_was_found_counts_over_a_cut_called_sound_in_any_order(plan):
    rows = [found("delamination", "03-11:03-02"), found("none", "03-01:03-12"), found("porosity", "03-05")]
    for order in (rows, rows[::-1]):
        result = shown(plan.zone("BM"), order)
        assert result[2].tolist() == [
            "delamination", "delamination", "none", "none", "porosity", "none",
            "none", "none", "none", "none", "delamination", "delamination",
        ]  # fmt: skip
        assert (result[[0, 1, 3, 4, 5, 6, 7]] == "not cut").all()


def test_a_separation_counts_before_another_flaw(plan):
    rows = [found("disbond", "03-05"), found("void", "03-05")]
    assert shown(plan.zone("BM"), rows)[2, 4] == "disbond"


def test_known_good_is_only_what_was_cut_and_sound(plan):
    rows = [found("none", "03-01:03-12"), found("wrinkle", "03-04"), found("delamination", "04-04")]
    known = known_points(plan.zone("BM"), rows)
    assert known.good.sum() == 11
    assert known.bad.sum() == 2
    assert not (known.good & known.bad).any()


def test_findings_of_one_name_are_one_defect_others_are_numbered(plan):
    rows = [
        found("delamination", "03-11", defect="F1"),
        found("void", "05-05"),
        found("none", "05-01:05-12"),
        found("delamination", "04-11", defect="F1"),
        found("void", "06-05"),
        found("void", "01-01", zone="SP"),
    ]
    groups = defects_of(plan.zone("BM"), rows)
    assert {name: len(group) for name, group in groups.items()} == {"F1": 2, "F2": 1, "F3": 1}
    assert list(defects_of(plan.zone("SP"), rows)) == ["F1"]


def test_doubts_are_reported(plan):
    rows = [
        found("delamination", "03-05", depth_mm=16.0, line=2),
        found("none", "03-05", line=3),
        found("void", "05-05:05-06", line=4),
        found("void", "05-06:05-07", line=5),
    ]
    result = doubts(plan.zone("BM"), rows)
    assert [one.partition(" (")[0] for one in result] == [
        "findings.csv: line 2: depth_mm 16 is beyond the wall of 1.6 mm",
        "findings.csv: line 3: calls BM-03-05 sound, where line 2 has a delamination, which counts",
        "findings.csv: lines 4 and 5: share points and count as 2 defects",
    ]


def test_no_doubts_about_a_usual_log(plan):
    rows = [
        found("none", "03-01:03-12", line=2),
        found("delamination", "03-05", line=3, defect="D"),
        found("delamination", "03-05:03-06", line=4, defect="D"),
    ]
    assert doubts(plan.zone("BM"), rows) == []
    assert doubts(plan.zone("SP"), [replace(row, zone="SP") for row in rows[1:2]]) == []


def test_damage_that_the_cut_did_teaches_nothing(plan):
    rows = [found("none", "03-01:03-12"), found("disbond", "03-04", cause="cutting")]
    known = known_points(plan.zone("BM"), rows)
    assert known.good.sum() == 11
    assert not known.bad.any()
    assert shown(plan.zone("BM"), rows)[2, 3] == "from cutting"
