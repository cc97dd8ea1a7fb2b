import tomllib

import pytest

from tapscan.desk.plan.marks import marked_text, plan_version, write_marks
from tapscan.errors import TapscanError
from tapscan.plan import parse_block
from tests.desk.conftest import PLAN


def blocks(*texts):
    return [parse_block(text) for text in texts]


def lists(text, zone=0):
    table = tomllib.loads(text)["zone"][zone]
    return table.get("reference", []), table.get("skip", [])


def comments(text):
    return [line.partition("#")[2] for line in text.splitlines() if "#" in line]


def test_points_next_to_each_other_become_one_block_and_comments_stay():
    text = marked_text(PLAN, "CS", blocks("01-02", "02-01:02-02"), "reference")
    assert lists(text) == (["01-01:02-02"], [])
    assert comments(text) == comments(PLAN)
    # Nothing but the one line differs.
    assert [new for old, new in zip(PLAN.splitlines(), text.splitlines(), strict=True) if old != new] == [
        'reference = ["01-01:02-02"]       # heard with two people'
    ]


def test_a_block_across_the_seam_is_written_as_one():
    text = marked_text(PLAN, "CS", blocks("03-06:04-01"), "skip")
    assert lists(text) == (["01-01"], ["03-06:04-01"])


def test_a_point_is_never_good_and_left_out_at_once():
    text = marked_text(PLAN, "CS", blocks("01-01"), "skip")
    assert lists(text) == ([], ["01-01"])
    assert lists(marked_text(text, "CS", blocks("01-01"), "reference")) == (["01-01"], [])
    assert lists(marked_text(text, "CS", blocks("01-01:04-06"), "none")) == ([], [])


def test_an_entry_with_a_comment_of_its_own_keeps_both():
    text = marked_text(PLAN, "PL", blocks("01-02"), "skip")
    assert lists(text, 1) == ([], ["01-01", "01-02"])
    assert "# a label" in text
    gone = marked_text(text, "PL", blocks("01-01"), "none")
    assert lists(gone, 1) == ([], ["01-02"])


def test_a_mark_that_changes_nothing_leaves_every_byte():
    assert marked_text(PLAN, "CS", blocks("01-01"), "reference") == PLAN


@pytest.mark.parametrize(
    ("zone", "block", "mark", "match"),
    [
        ("XX", "01-01", "skip", "has no zone XX"),
        ("CS", "05-01", "skip", "has no points 05-01"),
        ("CS", "00-01", "skip", "has no points 00-01"),
        ("PL", "01-04:02-01", "skip", "has no points 01-04:02-01"),
        ("CS", "01-01:04-06", "skip", "would have no point left"),
    ],
)
def test_marks_beside_the_grid_are_refused(zone, block, mark, match):
    with pytest.raises(TapscanError, match=match):
        marked_text(PLAN, zone, blocks(block), mark)


def test_a_plan_that_changed_meanwhile_is_not_written_over(folder):
    version = plan_version(folder)
    edited = PLAN.replace("Left", "Right")
    (folder / "inspection.toml").write_text(edited, encoding="utf-8")
    with pytest.raises(TapscanError, match="changed since this page read it; nothing was written"):
        write_marks(folder, version, "CS", blocks("02-02"), "reference")
    assert (folder / "inspection.toml").read_text(encoding="utf-8") == edited


def test_two_pages_of_which_the_second_saw_an_older_plan(desk):
    first = desk.get("/api/plan")["version"]
    mark = {"version": first, "zone": "CS", "points": "02-02", "mark": "reference"}
    second = desk.post("/api/marks", mark)["version"]
    refused = desk.post("/api/marks", {**mark, "points": "03-03"}, status=400)
    assert "load the page again" in refused["fault"]
    assert desk.get("/api/plan")["version"] == second
    desk.post("/api/marks", {**mark, "version": second, "points": "03-03"})
    text = (desk.folder / "inspection.toml").read_text(encoding="utf-8")
    assert lists(text)[0] == ["01-01", "02-02", "03-03"]


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"{}", b"\xff", b'{"version": 1, "zone": "CS", "points": "01-01", "mark": "skip"}',
     b'{"version": "", "zone": "CS", "points": "01", "mark": "skip"}',
     b'{"version": "", "zone": "CS", "points": "01-01", "mark": "wipe"}'],
)  # fmt: skip
def test_a_message_that_is_none_is_refused_in_a_sentence(desk, body):
    status, _, content = desk.call("POST", "/api/marks", body)
    assert status == 400
    assert b"is not what the desk expects" in content


def test_a_plan_with_windows_line_ends_and_a_byte_order_mark(folder):
    path = folder / "inspection.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode())
    write_marks(folder, plan_version(folder), "CS", blocks("02-01"), "reference")
    text = path.read_bytes().decode("utf-8")
    assert lists(text) == (["01-01:02-01"], [])
    assert comments(text) == comments(PLAN.replace("\n", "\r\n"))
