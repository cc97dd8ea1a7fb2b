import csv
import json

import pytest

from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.stored import stored_tables
from tapscan.archive.exporting import export_bag
from tapscan.errors import TapscanError


def test_csv_is_what_a_spreadsheet_opens(part, archive, tmp_path):
    (part / "findings.csv").write_text("zone,kind\nPL,delamination\n")
    bag = add_inspection(part, archive).bag
    files = export_bag(bag, tmp_path / "out", "csv")
    assert [path.name for path in files] == ["findings.csv", "indications.csv", "points.csv"]
    assert (tmp_path / "out/points.csv").read_text() == stored_tables(bag)["points.csv"]
    with (tmp_path / "out/indications.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    found = json.loads(stored_tables(bag)["indications.json"])
    assert [row["id"] for row in rows] == [one["id"] for one in found]
    for row, one in zip(rows, found, strict=True):
        assert float(row["area_mm2"]) == pytest.approx(one["area_mm2"], rel=1e-6)
        assert float(row["s_to_mm"]) == pytest.approx(one["s_mm"][1], rel=1e-6)
        assert row["points"].split() == one["points"]
        assert (row["depth_mm"] == "") == (one["depth_mm"] is None)


def test_json_is_all_of_it_in_one_file(part, archive, tmp_path):
    (part / "findings.csv").write_text("zone,kind\nPL,delamination\n")
    bag = add_inspection(part, archive).bag
    (path,) = export_bag(bag, tmp_path / "out", "json")
    reported = json.loads(path.read_text())
    tables = stored_tables(bag)
    assert (reported["bag"], reported["version"]) == ("seat-stay@1", "0.1.0")
    assert reported["indications"] == json.loads(tables["indications.json"])
    assert reported["inputs"] == json.loads(tables["summary.json"])["inputs"]
    assert reported["findings"] == [{"zone": "PL", "kind": "delamination"}]
    assert len(reported["points"]) == tables["points.csv"].count("\n") - 1
    unread = next(point for point in reported["points"] if point["point"] == "BM-03-04")
    assert (unread["status"], unread["reason"], unread["score"]) == ("unread", "missing", None)
    assert isinstance(reported["points"][0]["score"], float)
    assert reported["points"][0]["is_reference"] is False


def test_nothing_is_overwritten_and_nothing_half_written_is_left(bag, tmp_path, small, archive):
    export_bag(bag, tmp_path / "out", "csv")
    with pytest.raises(TapscanError, match="is not empty, nothing was written"):
        export_bag(bag, tmp_path / "out", "json")
    never = add_inspection(small(), archive).bag
    message = (
        r"^clamp@1: holds no results/indications.json: it was never analysed \(run: tapscan archive rerun"
    )
    with pytest.raises(TapscanError, match=message):
        export_bag(never, tmp_path / "two", "json")
    assert not (tmp_path / "two").exists()


@pytest.mark.parametrize("text", ["[", "[]", '"text"'])
def test_results_that_cannot_be_read(part, archive, tmp_path, text):
    (part / "results/summary.json").write_text(text)
    bag = add_inspection(part, archive).bag
    with pytest.raises(TapscanError, match=r"^seat-stay@1: its results cannot be read \(run: "):
        export_bag(bag, tmp_path / "out", "json")


@pytest.mark.parametrize(
    ("name", "damaged"),
    [
        ("points.csv", b"point,score\n\xff\xfe\n"),
        ("indications.json", b'[{"id": "BM-T1"}]'),
        ("indications.json", b'[{"x_mm": [1], "s_mm": [0, 1], "points": ["BM-01-01"]}]'),
        ("indications.json", b'[{"x_mm": [0, 1], "s_mm": [0, 1], "points": 3}]'),
        ("indications.json", b"[" * 100_000),
        ("indications.json", b"7"),
    ],
)
@pytest.mark.parametrize("form", ["csv", "json"])
def test_damaged_tables_are_reported_in_a_sentence(part, archive, tmp_path, form, name, damaged):
    (part / "results" / name).write_bytes(damaged)
    bag = add_inspection(part, archive).bag
    with pytest.raises(TapscanError, match=r"^seat-stay@1: its results cannot be read \(run: "):
        export_bag(bag, tmp_path / "out", form)
    assert not (tmp_path / "out").exists()
