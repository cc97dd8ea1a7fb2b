import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.errors import TapscanError
from tapscan.plan import Block
from tapscan.plan.reading import parse_plan
from tapscan.sectioning.findings import KINDS, Finding
from tapscan.sectioning.findings_csv import (
    COLUMNS,
    add_findings,
    findings_text,
    parse_findings,
    read_findings,
)
from tests.sectioning.conftest import PLAN

HEAD = ",".join(COLUMNS)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


def parsed(plan, text):
    return parse_findings(text, plan, "findings.csv")


def test_a_usual_table(plan):
    rows = parsed(
        plan,
        "kind,where,depth_mm,note\n"
        'Delamination,BM-03-11:04-02,0.45,"says ""soft"", twice\nand again"\n'
        "\n"
        "fibre-break,BM-05-05,,\n"
        "none,BM-07,,\n",
    )
    assert [row.kind for row in rows] == ["delamination", "fibre break", "none"]
    assert [row.line for row in rows] == [2, 5, 6]
    assert rows[0].note == 'says "soft", twice\nand again'
    assert rows[0].depth_mm == 0.45
    assert rows[2].where == "BM-07-01:07-12"


@pytest.mark.parametrize(
    "text",
    [
        "where;kind;depth_mm\nBM-03-05;void;0,45\n",
        "kind\tdepth_mm\twhere\nvoid\t0,45\tBM-03-05\n",
        "\ufeffKind,Where,Depth mm\r\nVOID,bm-3-5,0.45\r\n",
        "kind,where,depth_mm,,\nvoid,BM-03-05,0.45,,\n",
    ],
)
def test_spellings_that_spreadsheets_have(plan, text):
    (row,) = parsed(plan, text.removeprefix("\ufeff"))
    assert (row.kind, row.where, row.depth_mm) == ("void", "BM-03-05", 0.45)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "findings.csv: is empty (begin it with the line: kind,where"),
        ("kind,were\n", "findings.csv: line 1: column 'were' is not known (did you mean where?)"),
        ("kind,where,depth\n", "findings.csv: line 1: column 'depth' is not known (did you mean depth_mm?)"),
        ("kind,where,zzz\n", "findings.csv: line 1: column 'zzz' is not known (columns: kind, where"),
        ("kind,depth_mm\n", "findings.csv: line 1: has no column where (begin the file with the line"),
        ("kind,where,kind\n", "findings.csv: line 1: column kind is there twice (take one"),
        ("kind,where\nvoid,BM-03-05\ndelaminaton,BM-03-05\n",
         "findings.csv: line 3, column kind: 'delaminaton' is not a kind of finding (did you mean d"),
        ("kind,where\n,BM-03-05\n", "findings.csv: line 2, column kind: is empty (one of: delam"),
        ("kind,where\nvoid,BM-99-05\n",
         "findings.csv: line 2, column where: 'BM-99-05': station 99 is outside zone BM"),
        ("kind,where,depth_mm\nvoid,BM-03-05,0.4 mm\n",
         "findings.csv: line 2, column depth_mm: '0.4 mm' is not a number (write it like 1.6"),
        ("kind,where,depth_mm\nvoid,BM-03-05,-1\n",
         "findings.csv: line 2, column depth_mm: -1 is no size of anything on this part (empty the cell"),
        ("kind,where,width_mm\nvoid,BM-03-05,nan\n", "findings.csv: line 2, column width_mm: nan is no size"),
        ("kind,where,depth_mm\nnone,BM-03-05,1\n",
         "findings.csv: line 2, column depth_mm: gives a size where kind is none, nothing found"),
        ("kind,where\nvoid,BM-03-05,0,4\n",
         "findings.csv: line 2: has 4 cells, and the header names 2 columns (put text"),
        ("kind,where,photo\nvoid,BM-03-05,../a.jpg\n",
         "findings.csv: line 2, column photo: '../a.jpg' leads out of the inspection folder"),
        ("kind,where,photo\nvoid,BM-03-05,/tmp/a.jpg\n", "findings.csv: line 2, column photo: '/tmp/a"),
        ("kind,where,photo\nvoid,BM-03-05,C:\\a.jpg\n", "findings.csv: line 2, column photo: 'C:"),
        ('kind,where,note\nvoid,BM-03-05,"open\n', "findings.csv: line 2: its quotes do not match"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(plan, text, said):
    with pytest.raises(TapscanError) as error:
        parsed(plan, text)
    assert str(error.value).startswith(said)


words = st.text(st.characters(exclude_categories=("Cs", "Cc"), include_characters="\n"), max_size=12).map(
    lambda text: text.strip().lstrip("'")
)
sizes = st.none() | st.floats(0.01, 999.0).map(lambda value: round(value, 3))
findings = st.builds(
    Finding,
    kind=st.sampled_from([kind for kind in KINDS if kind != "none"]),
    zone=st.just("BM"),
    blocks=st.tuples(st.builds(Block, st.just(2), st.integers(1, 12), st.just(5), st.integers(1, 12))),
    defect=words,
    depth_mm=sizes,
    length_mm=sizes,
    width_mm=sizes,
    thickness_mm=sizes,
    area_mm2=sizes,
    photo=st.sampled_from(["", "photos/cut 07.jpg"]),
    seen_by=words,
    note=words,
)


@given(st.lists(findings, min_size=1, max_size=5))
def test_written_then_read_is_the_same(rows):
    read = parse_findings(findings_text(rows), parse_plan(PLAN), "findings.csv")
    assert [(one.kind, one.where, one.note, one.defect, one.depth_mm, one.photo) for one in read] == [
        (one.kind, one.where, one.note, one.defect, one.depth_mm, one.photo) for one in rows
    ]


def test_no_file_is_no_findings(folder, plan):
    assert read_findings(folder, plan).rows == ()


def test_added_behind_what_is_there_and_never_twice(folder, plan):
    (folder / "findings.csv").write_text("where;kind;depth_mm\nBM-03-05;void;0,4\n", encoding="utf-8")
    new = parsed(plan, "kind,where\nnone,BM-07\nnone,BM-07\n")
    assert add_findings(folder, plan, new) == 1
    assert add_findings(folder, plan, new) == 0
    assert (folder / "findings.csv").read_text(encoding="utf-8") == (
        f"{HEAD}\nvoid,BM-03-05,,0.4,,,,,,,\nnone,BM-07-01:07-12,,,,,,,,,\n"
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


def test_a_photo_that_is_not_there_is_told(folder, plan):
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
