"""Undo and redo of marks and notes, as the page asks for them."""

import pytest

from tests.desk.conftest import PLAN


def plan_text(desk):
    return (desk.folder / "inspection.toml").read_text(encoding="utf-8")


def mark(desk, points, kind):
    version = desk.get("/api/plan")["version"]
    desk.post("/api/marks", {"version": version, "zone": "CS", "points": points, "mark": kind})


def test_marks_and_notes_are_undone_and_redone_to_the_byte(desk):
    mark(desk, "02-02:03-04", "skip")
    first = plan_text(desk)
    desk.post("/api/notes", {"point": "CS-01-02", "note": "a rattle", "was": ""})
    second = plan_text(desk)
    assert desk.get("/api/state")["undo"] == "note at CS-01-02"
    texts = []
    for step in ("undo", "undo", "redo", "redo"):
        desk.post(f"/api/{step}", {})
        texts.append(plan_text(desk))
    assert texts == [first, PLAN, first, second]
    assert "there is nothing to redo" in desk.post("/api/redo", {}, status=400)["fault"]


def test_a_new_change_ends_what_could_be_redone_and_a_change_of_nothing_does_not(desk):
    mark(desk, "02-02", "skip")
    desk.post("/api/undo", {})
    mark(desk, "01-01", "reference")  # is marked so already
    state = desk.get("/api/state")
    assert (state["undo"], state["redo"]) == ("", "skip CS-02-02")
    mark(desk, "03-03", "reference")
    state = desk.get("/api/state")
    assert (state["undo"], state["redo"]) == ("known good CS-03-03", "")


@pytest.mark.parametrize("step", ["undo", "redo"])
def test_a_plan_that_was_edited_meanwhile_is_not_written_over(desk, step):
    mark(desk, "02-02", "skip")
    if step == "redo":
        desk.post("/api/undo", {})
    edited = plan_text(desk).replace("Left", "Right")
    (desk.folder / "inspection.toml").write_text(edited, encoding="utf-8")
    fault = desk.post(f"/api/{step}", {}, status=400)["fault"]
    assert f"changed outside this page; nothing was {step.removesuffix('o')}one" in fault
    assert plan_text(desk) == edited


def test_a_mark_that_was_undone_leaves_the_analysis_current(desk):
    desk.analyse()
    mark(desk, "02-02", "skip")
    assert desk.get("/api/state")["is_stale"]
    desk.post("/api/undo", {})
    assert not desk.get("/api/state")["is_stale"]
