import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.desk.plan.marks import marked_text
from tapscan.desk.plan.notes import note_at, noted_text, write_note
from tapscan.errors import TapscanError
from tapscan.plan import Point, parse_block
from tapscan.plan.text.reading import MAX_PLAN_BYTES, PLAN_NAME, parse_plan, read_plan
from tests.desk.conftest import PLAN

AT, THERE = Point("CS", 1, 2), Point("CS", 2, 1)

# A plan as a person may leave it: comments above the next zone, one beside a note, no table of notes in PL.
WITH_NOTES = PLAN.replace(
    '\n[[zone]]\ncode = "PL"',
    '\n[zone.notes]\nCS-02-1 = "hit here"   # seen from below\n\n'
    '# The panel was filled once.\n[[zone]]\ncode = "PL"',
)


@pytest.mark.parametrize(
    "note",
    ["a rattle", 'said "loose", twice', "two\nlines", 'two\n"quoted"\nlines', "C:\\temp", "=SUM(A1)",
     "ends in \"", "a\ttab", "\x07bell", "Käfer 甲", "'''", '"""', "\x85next"],
)  # fmt: skip
def test_a_note_comes_back_as_it_was_written(folder, note):
    write_note(folder, AT, note, "")
    plan = read_plan(folder)
    assert note_at(plan, AT) == note.strip()
    text = (folder / PLAN_NAME).read_text(encoding="utf-8")
    for line in PLAN.splitlines():
        assert line in text.splitlines()


@settings(deadline=None)
@given(
    st.text(st.characters(codec="utf-8"), max_size=60),
    st.sampled_from([PLAN, WITH_NOTES, PLAN.replace("\n", "\r\n")]),
    st.sampled_from([AT, THERE, Point("PL", 1, 1)]),
)
def test_any_text_at_any_point_comes_back_and_nothing_else_changes(note, plan, point):
    new = noted_text(plan, point, note)
    assert note_at(parse_plan(new), point) == note.strip().replace("\r\n", "\n")
    left = iter(new.splitlines())
    changed = point == THERE and "hit here"
    assert all(line in left for line in plan.splitlines() if not (changed and changed in line))


def test_a_note_is_in_its_zone_below_its_keys_and_above_the_words_on_the_next():
    assert noted_text(PLAN, AT, "a rattle") == PLAN.replace(
        "# heard with two people\n", '# heard with two people\n\n[zone.notes]\n01-02 = "a rattle"\n'
    )
    assert noted_text(WITH_NOTES, AT, "two\nlines") == WITH_NOTES.replace(
        "# seen from below\n", '# seen from below\n01-02 = """two\nlines"""\n'
    )


def test_a_note_is_changed_where_its_owner_wrote_it_and_an_empty_one_goes():
    changed = noted_text(WITH_NOTES, THERE, "hit twice")
    assert changed == WITH_NOTES.replace("hit here", "hit twice")
    gone = noted_text(changed, THERE, "  ")
    assert "notes" not in tomllib.loads(gone)["zone"][1]
    assert parse_plan(gone) == parse_plan(PLAN)
    assert "# The panel was filled once.\n[[zone]]" in gone
    assert noted_text(PLAN, AT, "") == PLAN


def test_marks_and_notes_do_not_push_each_other_or_the_words_of_others():
    """A first list of references in a zone that has notes, and comments of the next zone below."""
    text = marked_text(WITH_NOTES, "CS", [parse_block("02-02")], "skip")
    zone = tomllib.loads(text)["zone"][0]
    assert (zone["skip"], zone["notes"]) == (["02-02"], {"CS-02-1": "hit here"})
    assert text.replace('skip = ["02-02"]\n', "", 1) == WITH_NOTES
    text = marked_text(PLAN.replace("[[zone]]\ncode = \"PL\"", "# The panel.\n[[zone]]\ncode = \"PL\""), "CS",
                       [parse_block("02-02")], "skip")  # fmt: skip
    assert '# heard with two people\nskip = ["02-02"]\n\n# The panel.\n' in text


def test_a_plan_in_one_line_takes_notes_too():
    plan = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    plan += "girth_mm = 80.0}]"
    assert note_at(parse_plan(noted_text(plan, Point("BM", 1, 2), "x")), Point("BM", 1, 2)) == "x"


def test_a_note_that_changed_meanwhile_is_not_written_over_but_other_changes_do_no_harm(folder):
    write_note(folder, AT, "mine", "")
    write_note(folder, THERE, "from another page that saw the older plan", "")
    before = (folder / PLAN_NAME).read_bytes()
    with pytest.raises(TapscanError, match=r"CS-01-02: its note changed since this page read it"):
        write_note(folder, AT, "theirs", "")
    assert (folder / PLAN_NAME).read_bytes() == before


def test_only_planned_points_take_notes_but_a_point_left_out_may_say_why():
    noted_text(PLAN, Point("PL", 1, 1), "a label")
    for point in (Point("CS", 9, 1), Point("XX", 1, 1)):
        with pytest.raises(TapscanError, match=r"station 9 is outside zone CS|no zone XX"):
            noted_text(PLAN, point, "nowhere")
    with pytest.raises(TapscanError, match="too long"):
        noted_text(PLAN, AT, "x" * 2001)


def test_a_plan_never_grows_so_large_that_it_could_not_be_read_again(folder):
    filler = "# " + "x" * (MAX_PLAN_BYTES - len(PLAN) - 20) + "\n"
    (folder / PLAN_NAME).write_text(PLAN + filler, encoding="utf-8")
    with pytest.raises(TapscanError, match="over 1 MB; nothing was written"):
        write_note(folder, AT, "one too many for the file", "")
    assert (folder / PLAN_NAME).read_text(encoding="utf-8") == PLAN + filler


def test_the_page_writes_notes_and_hears_of_them(desk):
    desk.post("/api/notes", {"point": "CS-1-2", "note": "a rattle", "was": ""})
    assert desk.get("/api/plan")["notes"] == {"CS-01-02": "a rattle"}
    desk.post("/api/notes", {"point": "CS-01-02", "note": "", "was": "a rattle"})
    assert desk.get("/api/plan")["notes"] == {}


def test_notes_of_earlier_builds_are_reported_and_left_alone(desk):
    (desk.folder / "notes.csv").write_text("point,note\nCS-01-01,x\n", encoding="utf-8")
    assert "notes.csv: is not read any more" in "\n".join(desk.get("/api/plan")["warnings"])
    assert (desk.folder / "notes.csv").is_file()


@pytest.mark.parametrize(
    "body", [b'{"point": "CS-01-01", "note": "\\ud800", "was": ""}', b"[" * 100_000, b'{"point": [[]]}', b"7"]
)
def test_a_message_that_is_no_text_is_refused_in_a_sentence(desk, body):
    status, _, content = desk.call("POST", "/api/notes", body)
    assert (status, b"is not what the desk expects" in content) == (400, True)
