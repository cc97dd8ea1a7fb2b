import pytest

from tapscan.desk.notes import read_notes, write_note
from tapscan.errors import TapscanError
from tapscan.plan import Point
from tapscan.records import open_inspection

AT, THERE = Point("CS", 1, 2), Point("CS", 2, 1)


@pytest.mark.parametrize(
    "text", ["a rattle", 'said "loose", twice', "two\nlines", "=SUM(A1)", "'quoted'", "-3 dB"]
)
def test_a_note_comes_back_as_it_was_written(folder, text):
    plan = open_inspection(folder).plan
    version = write_note(folder, plan, "", AT, text)
    assert read_notes(folder) == ({AT: text}, version)
    assert read_notes(folder)[0][AT] == text
    assert (folder / "notes.csv").read_text(encoding="utf-8").startswith("point,note\n")


def test_notes_stand_in_walking_order_and_an_empty_one_goes(folder):
    plan = open_inspection(folder).plan
    version = write_note(folder, plan, "", THERE, "later")
    version = write_note(folder, plan, version, AT, "sooner")
    assert list(read_notes(folder)[0]) == [AT, THERE]
    write_note(folder, plan, version, THERE, "  ")
    assert list(read_notes(folder)[0]) == [AT]


def test_notes_that_changed_meanwhile_are_not_written_over(folder):
    plan = open_inspection(folder).plan
    write_note(folder, plan, "", AT, "mine")
    with pytest.raises(TapscanError, match=r"notes\.csv: changed since this page read it"):
        write_note(folder, plan, "", THERE, "from another page")
    assert list(read_notes(folder)[0]) == [AT]


def test_only_planned_points_take_notes_but_a_point_left_out_may_say_why(folder):
    plan = open_inspection(folder).plan
    write_note(folder, plan, "", Point("PL", 1, 1), "a label")
    with pytest.raises(TapscanError, match="station 9 is outside zone CS"):
        write_note(folder, plan, read_notes(folder)[1], Point("CS", 9, 1), "nowhere")
    with pytest.raises(TapscanError, match="too long"):
        write_note(folder, plan, read_notes(folder)[1], AT, "x" * 2001)


@pytest.mark.parametrize(
    ("content", "match"),
    [(b"point,note\nCS-01,x\n", "line 2: is not a point and a note"), (b"\xff\xfe", "no CSV table in UTF-8")],
)
def test_a_table_that_is_none_is_told_and_left_alone(folder, content, match):
    (folder / "notes.csv").write_bytes(content)
    with pytest.raises(TapscanError, match=match):
        read_notes(folder)
    assert (folder / "notes.csv").read_bytes() == content


def test_notes_are_not_followed_out_of_the_folder(folder, tmp_path):
    (tmp_path / "elsewhere.csv").write_text("point,note\nCS-01-01,secret\n", encoding="utf-8")
    (folder / "notes.csv").symlink_to(tmp_path / "elsewhere.csv")
    with pytest.raises(TapscanError, match="link out of the inspection"):
        read_notes(folder)


def test_what_was_written_by_hand_is_all_kept(folder):
    """Two lines for one point, and no line of names: the next note from the page loses neither."""
    (folder / "notes.csv").write_text(
        "CS-01-01,heard a rattle\nCS-01-01,again\nCS-01-02,soft\n", encoding="utf-8"
    )
    notes, version = read_notes(folder)
    assert notes[Point("CS", 1, 1)] == "heard a rattle\nagain"
    write_note(folder, open_inspection(folder).plan, version, Point("CS", 1, 3), "new")
    kept, _ = read_notes(folder)
    assert kept == {**notes, Point("CS", 1, 3): "new"}
