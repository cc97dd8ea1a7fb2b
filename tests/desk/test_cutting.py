"""Findings logged over the desk's addresses."""

import json

import pytest


def test_findings_are_logged_once_and_reported(desk):
    assert desk.get("/api/findings")["findings"] == []
    row = {"kind": "none", "where": "CS-01-01"}
    assert desk.post("/api/findings", row) == {"is_new": True}
    assert desk.post("/api/findings", row) == {"is_new": False}
    result = desk.get("/api/findings")
    (found,) = result["findings"]
    assert {name: found[name] for name in ("kind", "where", "sizes", "note", "photo")} == {
        "kind": "nothing there",
        "where": "CS-01-01",
        "sizes": "",
        "note": "",
        "photo": "",
    }
    assert any("respirator" in sentence for sentence in result["cautions"])
    assert result["cuts"] == []  # nothing is analysed yet
    assert result["causes"][0] == "unknown"
    assert "Was it there before the cut?" in result["edge_question"]


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


def test_a_finding_is_changed_and_deleted_and_nothing_else_is(desk):
    for where in ("CS-01-01", "CS-02-01", "CS-03-01"):
        desk.post("/api/findings", {"kind": "void", "where": where, "depth_mm": "0,4"})
    rows = [one["row"] for one in desk.get("/api/findings")["findings"]]
    assert rows[1]["depth_mm"] == "0.4"
    desk.post("/api/findings/change", {"old": rows[1], "new": {**rows[1], "kind": "none", "depth_mm": ""}})
    desk.post("/api/findings/change", {"old": rows[2], "new": {}})
    result = [(one["kind"], one["where"]) for one in desk.get("/api/findings")["findings"]]
    assert result == [("void", "CS-01-01"), ("nothing there", "CS-02-01")]
    again = desk.post("/api/findings/change", {"old": rows[2], "new": {}}, status=400)
    assert "changed since this page read it; nothing was written" in again["fault"]


@pytest.mark.parametrize(
    "body", [b"[]", b"{}", b'{"old": 1, "new": {}}', b'{"old": {"kind": 1}, "new": {}}', b"\xff"]
)
def test_a_change_that_is_none_is_refused_in_a_sentence(desk, body):
    status, _, content = desk.call("POST", "/api/findings/change", body)
    assert (status, b"is not what the desk expects" in content) == (400, True)


JPEG = b"\xff\xd8\xff\xe0" + b"\0" * 60


def test_a_photo_is_kept_under_a_name_of_its_own(desk):
    def send(name, content):
        status, _, answer = desk.call("POST", f"/api/photos?name={name}", content)
        assert status == 200, answer
        return json.loads(answer)["photo"]

    assert send("cut%207.JPG", JPEG) == "photos/cut-7.jpg"
    assert send("cut%207.JPG", JPEG) == "photos/cut-7.jpg"
    assert send("cut%207.JPG", JPEG + b"1") == "photos/cut-7_2.jpg"
    assert send("..%2F..%2Fetc.png", b"\x89PNG\r\n\x1a\n") == "photos/etc.png"
    assert sorted(path.name for path in (desk.folder / "photos").iterdir()) == [
        *["cut-7.jpg", "cut-7_2.jpg", "etc.png"]
    ]


def test_what_is_no_photo_is_refused_and_so_is_a_folder_elsewhere(desk, tmp_path):
    status, _, content = desk.call("POST", "/api/photos?name=a.jpg", b"<svg/>")
    assert (status, b"is not a photo that is known here" in content) == (400, True)
    (tmp_path / "outside").mkdir()
    (desk.folder / "photos").symlink_to(tmp_path / "outside")
    status, _, content = desk.call("POST", "/api/photos?name=a.jpg", JPEG)
    assert (status, b"is a link out of the inspection" in content) == (400, True)
    assert list((tmp_path / "outside").iterdir()) == []


def test_cause_and_start_are_logged_and_shown(desk):
    desk.post("/api/findings", {"kind": "crack", "where": "CS-01-01", "cause": "impact", "starts_at": "V1"})
    (found,) = desk.get("/api/findings")["findings"]
    assert found["note"] == "from impact, runs from V1"
    assert (found["row"]["cause"], found["row"]["starts_at"]) == ("impact", "V1")
