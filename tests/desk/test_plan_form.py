"""The plan as a form: the same file again, with what was changed in it and nothing else."""

import json
import tomllib

import pytest

from tapscan.desk.plan.form import edited_text, form_document, is_editable, mistakes_in
from tapscan.plan.text.template import PLAN_TEMPLATE
from tests.desk.conftest import PLAN


def changed_lines(old, new):
    return sorted(set(new.splitlines()) - set(old.splitlines()))


def test_a_form_that_changes_nothing_leaves_every_byte(folder):
    tables = form_document(folder)["tables"]
    assert edited_text(PLAN, tables) == PLAN


def test_only_what_was_changed_is_written_and_comments_stay(folder):
    tables = form_document(folder)["tables"]
    tables["zone"][0]["girth_mm"] = "62,5"
    tables["zone"][1]["skip"] = "01-01, 03-04"
    new = edited_text(PLAN, tables)
    assert "girth_mm = 62.5             # by tape" in changed_lines(PLAN, new)
    assert tomllib.loads(new)["zone"][1]["skip"] == ["01-01", "03-04"]
    comments = [line.partition("#")[2] for line in PLAN.splitlines()]
    assert all(comment in new for comment in comments)


def test_the_empty_template_is_filled_in_and_its_comments_stay():
    tube = {"code": "BM", "shape": "tube", "stations": "4", "positions": "6"}
    tube |= {"station_pitch_mm": "10", "girth_mm": "60", "was": "0"}
    new = edited_text(PLAN_TEMPLATE, {"part": {"name": "A boom"}, "zone": [tube]})
    assert mistakes_in(new) == []
    assert all(line.partition("#")[2] in new for line in PLAN_TEMPLATE.splitlines())


def test_zones_are_added_and_removed(folder):
    tables = form_document(folder)["tables"]
    panel = {"code": "P2", "shape": "panel", "stations": "3", "positions": "4"}
    panel |= {"station_pitch_mm": "10", "position_pitch_mm": "10", "was": ""}
    new = edited_text(PLAN, {**tables, "zone": [tables["zone"][1], panel]})
    assert [zone["code"] for zone in tomllib.loads(new)["zone"]] == ["PL", "P2"]
    assert mistakes_in(new) == []
    assert tomllib.loads(new)["tap"] == {"taps_per_point": 1}


def test_all_mistakes_come_at_once_with_the_path_of_their_field():
    zone = {"code": "bm", "shape": "tube", "stations": "many", "positions": "6"}
    zone |= {"station_pitch_mm": "10", "girth_mm": "60", "skip": "09-01", "was": "0"}
    new = edited_text(PLAN_TEMPLATE, {"part": {"date": "2026-02-30"}, "zone": [zone]})
    reported = {one["path"]: one["words"] for one in mistakes_in(new)}
    assert set(reported) == {"part.date", "zone.0.code", "zone.0.stations"}
    assert "is not a date" in reported["part.date"]
    assert "stations = 'many' is not accepted" in reported["zone.0.stations"]


def test_a_form_with_mistakes_writes_nothing_and_names_them(desk):
    form = desk.get("/api/plan-form")
    form["tables"]["zone"][0]["stations"] = "0.5"
    form["tables"]["zone"][1]["mirror_of"] = "XX"
    answer = desk.post("/api/plan-form", {"version": form["version"], "tables": form["tables"]}, status=400)
    assert [one["path"] for one in answer["mistakes"]] == ["zone.0.stations", "zone.1.mirror_of"]
    assert (desk.folder / "inspection.toml").read_text(encoding="utf-8") == PLAN


def test_a_plan_with_mistakes_is_shown_fixed_and_undone(desk):
    path = desk.folder / "inspection.toml"
    path.write_text(PLAN.replace("stations = 4", "stations = 0"), encoding="utf-8")
    assert "stations = 0 is not accepted" in desk.get("/api/state")["plan_fault"]
    form = desk.get("/api/plan-form")
    assert [one["path"] for one in form["mistakes"]] == ["zone.0.stations"]
    assert form["tables"]["zone"][0]["stations"] == ""
    form["tables"]["zone"][0]["stations"] = "4"
    desk.post("/api/plan-form", {"version": form["version"], "tables": form["tables"]})
    assert path.read_text(encoding="utf-8") == PLAN
    assert desk.get("/api/state")["plan_fault"] == ""
    assert desk.get("/api/state")["undo"] == "plan form"


def test_a_plan_that_changed_meanwhile_is_not_written_over(desk):
    form = desk.get("/api/plan-form")
    path = desk.folder / "inspection.toml"
    path.write_text(PLAN + "# later\n", encoding="utf-8")
    answer = desk.post("/api/plan-form", {"version": form["version"], "tables": form["tables"]}, status=400)
    assert "changed since this page read it; nothing was written" in answer["fault"]


@pytest.mark.parametrize(
    "body",
    [
        *(b"[]", b"{}", b'{"version": "", "tables": {}}', b'{"version": "", "tables": {"zone": [{}]}}'),
        *(b'{"version": "", "tables": {"zone": [{"was": "-1"}]}}', b"\xff"),
        b'{"version": "", "tables": {"zone": [], "secret": {}}}',
    ],
)
def test_a_form_that_is_none_is_refused_in_a_sentence(desk, body):
    status, _, content = desk.call("POST", "/api/plan-form", body)
    assert (status, "is not what the desk expects" in json.loads(content)["fault"]) == (400, True)


def test_a_zone_number_beyond_the_plan_is_refused(desk):
    form = desk.get("/api/plan-form")
    message = {"version": form["version"], "tables": {"zone": [{"was": "7"}]}}
    fault = desk.post("/api/plan-form", message, status=400)["fault"]
    assert "has other zones than this form" in fault


def test_what_is_no_toml_cannot_be_shown_as_a_form(folder):
    assert is_editable(folder)
    (folder / "inspection.toml").write_text("[[zone]", encoding="utf-8")
    assert not is_editable(folder)
