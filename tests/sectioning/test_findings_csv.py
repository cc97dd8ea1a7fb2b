from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.errors import TapscanError
from tapscan.plan import Block
from tapscan.plan.text.reading import parse_plan
from tapscan.sectioning.findings.csv_text import COLUMNS, findings_text, parse_findings
from tapscan.sectioning.findings.recorded import KINDS, Finding
from tests.sectioning.conftest import PLAN

HEAD = ",".join(COLUMNS)


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
        ("kind,where,photo\nvoid,BM-03-05,.\n", "findings.csv: line 2, column photo: '.' is a folder (write"),
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


def test_a_file_without_the_newer_columns_is_readable_and_of_unknown_cause(plan):
    (one,) = parse_findings("kind,where,note\ndelamination,BM-03-05,old\n", plan, "findings.csv")
    assert (one.cause, one.starts_at) == ("unknown", "")


def test_cause_and_start_are_kept_to_and_fro(plan):
    text = "kind,where,cause,starts_at\ncrack,BM-03-05,Service,V1\nplanar_void,BM-03-06,,\n"
    rows = parse_findings(text, plan, "findings.csv")
    assert [(one.kind, one.cause, one.starts_at) for one in rows] == [
        ("crack", "service", "V1"),
        ("planar void", "unknown", ""),
    ]
    again = parse_findings(findings_text(rows), plan, "findings.csv")
    assert [replace(one, line=0) for one in again] == [replace(one, line=0) for one in rows]


@pytest.mark.parametrize(
    ("line", "match"),
    [
        ("crack,BM-03-05,cuting,", r"column cause: 'cuting' is not a cause \(did you mean cutting\?\)"),
        ("none,BM-03-05,impact,", "column cause: says where a flaw comes from, where kind is none"),
        ("none,BM-03-05,,V1", "column starts_at: says where a flaw comes from, where kind is none"),
    ],
)
def test_a_wrong_origin_is_a_sentence(plan, line, match):
    with pytest.raises(TapscanError, match=match):
        parse_findings(f"kind,where,cause,starts_at\n{line}\n", plan, "findings.csv")
