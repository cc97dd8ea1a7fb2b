import os
import sys
from concurrent.futures import ProcessPoolExecutor

import pytest

from tapscan.errors import TapscanError
from tapscan.plan.text.reading import parse_plan
from tapscan.sectioning.findings.logbook import add_findings, read_findings
from tests.sectioning.conftest import PLAN
from tests.sectioning.test_findings_csv import HEAD, parsed


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


def test_no_file_is_no_findings(folder, plan):
    assert read_findings(folder, plan).rows == ()


def test_added_behind_what_is_there_and_never_twice(folder, plan):
    (folder / "findings.csv").write_text("where;kind;depth_mm\nBM-03-05;void;0,4\n", encoding="utf-8")
    new = parsed(plan, "kind,where\nnone,BM-07\nnone,BM-07\n")
    assert add_findings(folder, plan, new) == 1
    assert add_findings(folder, plan, new) == 0
    assert (folder / "findings.csv").read_text(encoding="utf-8") == (
        f"{HEAD}\nvoid,BM-03-05,,0.4,,,,,,,,unknown,\nnone,BM-07-01:07-12,,,,,,,,,,unknown,\n"
    )


def test_a_wrong_file_is_left_as_it_is(folder, plan):
    (folder / "findings.csv").write_text("kind,where\nvoid,nowhere\n", encoding="utf-8")
    with pytest.raises(TapscanError, match="line 2, column where"):
        add_findings(folder, plan, parsed(plan, "kind,where\nnone,BM-07\n"))
    assert (folder / "findings.csv").read_text(encoding="utf-8") == "kind,where\nvoid,nowhere\n"


def test_killed_while_writing_the_old_table_stays(folder, plan, monkeypatch):
    add_findings(folder, plan, parsed(plan, "kind,where\nnone,BM-07\n"))
    before = (folder / "findings.csv").read_bytes()
    monkeypatch.setattr(os, "fsync", lambda _: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        add_findings(folder, plan, parsed(plan, "kind,where\nvoid,BM-06-01\n"))
    assert (folder / "findings.csv").read_bytes() == before


def test_a_photo_that_is_not_there_is_reported(folder, plan):
    add_findings(folder, plan, parsed(plan, "kind,where,photo\nvoid,BM-06-01,photos/a.jpg\n"))
    assert read_findings(folder, plan).warnings == (
        "findings.csv: line 2: photo 'photos/a.jpg' is not there (copy it there)",
    )
    (folder / "photos").mkdir()
    (folder / "photos/a.jpg").touch()
    assert read_findings(folder, plan).warnings == ()


def test_older_text_and_wide_text_are_read(folder, plan):
    for encoding in ("cp1252", "utf-16"):
        (folder / "findings.csv").write_bytes("kind,where,note\nvoid,BM-06-01,Größe\n".encode(encoding))
        assert read_findings(folder, plan).rows[0].note == "Größe"


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: path.symlink_to("/etc/hostname"), "is a link out of the inspection"),
        (lambda path: path.symlink_to("gone.csv"), "is a link to nowhere"),
        (lambda path: path.write_bytes(b"PK\0\0"), "holds bytes that no text has"),
        (lambda path: path.mkdir(), "is not there"),
    ],
)
def test_what_is_no_table(folder, plan, make, said):
    make(folder / "findings.csv")
    with pytest.raises(TapscanError, match=said):
        read_findings(folder, plan)


def _add_ten(folder, station):
    plan = parse_plan(PLAN)
    for position in range(1, 11):
        add_findings(folder, plan, parsed(plan, f"kind,where\nvoid,BM-{station:02d}-{position:02d}\n"))


def test_programs_that_add_at_the_same_time_lose_nothing(folder, plan):
    with ProcessPoolExecutor(4) as pool:
        list(pool.map(_add_ten, [folder] * 4, range(1, 5)))
    rows = read_findings(folder, plan).rows
    assert sorted(row.where for row in rows) == [
        f"BM-{station:02d}-{position:02d}" for station in range(1, 5) for position in range(1, 11)
    ]


def test_where_there_are_no_locks_it_goes_without(folder, plan, monkeypatch):
    monkeypatch.setitem(sys.modules, "fcntl", None)
    assert add_findings(folder, plan, parsed(plan, "kind,where\nnone,BM-07\n")) == 1


def test_a_photo_that_is_a_link_out_of_the_inspection_is_named(folder, plan, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "cut.jpg"
    outside.write_bytes(b"photo")
    (folder / "photos").mkdir()
    (folder / "photos/cut.jpg").symlink_to(outside)
    (folder / "photos/loop.jpg").symlink_to("loop.jpg")
    (folder / "photos/own.jpg").write_bytes(b"photo")
    names = ("cut", "loop", "own", "lost", "x" * 300)
    lines = [f"void,BM-03-05,photos/{name}.jpg\n" for name in names]
    (folder / "findings.csv").write_text("kind,where,photo\n" + "".join(lines), encoding="utf-8")
    result = [one for one in read_findings(folder, plan).warnings if "photo" in one]
    assert "line 2: photo 'photos/cut.jpg' is a link out of the inspection (copy it there)" in result[0]
    assert "line 3: photo 'photos/loop.jpg' is not there (copy it there)" in result[1]
    assert len(result) == 4
