"""Findings logged over the desk's addresses."""

import json

import pytest


def test_findings_are_logged_once_and_told(desk):
    assert desk.get("/api/findings")["findings"] == []
    row = {"kind": "none", "where": "CS-01-01"}
    assert desk.post("/api/findings", row) == {"is_new": True}
    assert desk.post("/api/findings", row) == {"is_new": False}
    told = desk.get("/api/findings")
    assert told["findings"] == [{"kind": "nothing there", "where": "CS-01-01", "sizes": "", "note": ""}]
    assert any("respirator" in sentence for sentence in told["cautions"])
    assert told["cuts"] == []  # nothing is analysed yet


@pytest.mark.parametrize(
    ("row", "match"),
    [
        ({"kind": "rust", "where": "CS-01-01"}, "column kind"),
        ({"kind": "void", "where": "CS-77-01"}, "column where"),
        ({"kind": "void", "where": "CS-01-01", "depth_mm": "deep"}, "column depth_mm"),
        ({"kind": "void", "where": "CS-01-01", "photo": "../../etc/passwd"}, "column photo"),
        ({"kind": "void", "where": "CS-01-01", "colour": "red"}, "colour"),
        ({"kind": "void", "where": "CS-01-01", "note": "x" * 2001}, "is not what the desk expects"),
        ({"kind": "void", "where": 3}, "is not what the desk expects"),
    ],
)
def test_a_finding_that_makes_no_sense_is_refused_in_a_sentence(desk, row, match):
    status, _, content = desk.call("POST", "/api/findings", json.dumps(row).encode())
    assert status == 400
    assert match in json.loads(content)["fault"]
    assert not (desk.folder / "findings.csv").exists()


def test_the_comparison_is_no_paper_before_there_are_findings(desk):
    """Not even one that an earlier analysis left behind."""
    (desk.folder / "results").mkdir()
    (desk.folder / "results" / "section.html").write_text("of long ago", encoding="utf-8")
    status, _, _ = desk.call("GET", "/papers/section.html")
    assert status == 404
