import json

import pytest

from tapscan.archive.changes import Change, changes

HEAD = "point,zone,method,status,score\n"


def reported(before, after, name="points.csv"):
    return [(c.of, c.value, c.before, c.after) for c in changes({name: before}, {name: after})]


def test_equal_bytes_have_no_change():
    assert changes({"points.csv": "no table at all"}, {"points.csv": "no table at all"}) == ()


def test_points_are_compared_by_name_and_method_in_any_order():
    before = HEAD + "BM-01-01,BM,tap,clear,0.5\nBM-01-01,BM,ascan,clear,0.5\nBM-01-02,BM,tap,clear,0.7\n"
    after = HEAD + "BM-01-02,BM,tap,clear,0.7\nBM-01-01,BM,tap,suspect,1.25\nBM-01-03,BM,tap,clear,0.1\n"
    assert reported(before, after) == [
        ("BM-01-01 tap", "status", "clear", "suspect"),
        ("BM-01-01 tap", "score", "0.5", "1.25"),
        ("BM-01-01 ascan", "row", "there", None),
        ("BM-01-03 tap", "row", None, "there"),
    ]


def test_a_column_that_comes_or_goes():
    assert reported("point,method,old\nA,tap,1\n", "point,method,new\nA,tap,2\n") == [
        ("A tap", "old", "1", None),
        ("A tap", "new", None, "2"),
    ]


def indication(name, points, area_mm2, zone="BM"):
    return {"id": name, "zone": zone, "method": "tap", "points": points, "area_mm2": area_mm2}


def test_indications_are_paired_by_the_points_they_share():
    one, two = indication("BM-T1", ["a", "b", "c"], 30.0), indication("BM-T2", ["x"], 10.0)
    bigger = indication("BM-T2", ["a", "b"], 31.5)  # has another number now
    new = indication("BM-T1", ["q"], 99.0)
    elsewhere = indication("PL-T1", ["x"], 10.0, zone="PL")
    before, after = json.dumps([one, two]), json.dumps([new, bigger, elsewhere])
    assert reported(before, after, "indications.json") == [
        ("BM-T1", "id", "BM-T1", "BM-T2"),
        ("BM-T1", "points", '["a", "b", "c"]', '["a", "b"]'),
        ("BM-T1", "area_mm2", "30.0", "31.5"),
        ("BM-T2", "indication", "there", None),
        ("BM-T1", "indication", None, "there"),
        ("PL-T1", "indication", None, "there"),
    ]


def test_summaries_are_compared_place_by_place():
    before = {"version": "1", "counts": [{"zone": "BM", "clear": 3}], "warnings": []}
    after = {"version": "2", "counts": [{"zone": "BM", "clear": 2}], "warnings": ["one"]}
    assert reported(json.dumps(before), json.dumps(after), "summary.json") == [
        ("", "version", "1", "2"),
        ("counts[0]", "clear", "3", "2"),
        ("", "warnings", "[]", '["one"]'),
    ]


def test_a_table_that_is_missing_on_one_side():
    assert changes({}, {"points.csv": "point,method\nA,tap\n"}) == (
        Change("points.csv", "A tap", "row", None, "there"),
    )


def test_how_far_a_number_moved():
    assert Change("f", "o", "score", "0.5", "0.25").size == 0.25
    assert Change("f", "o", "status", "clear", "suspect").size is None
    assert Change("f", "o", "depth_mm", "", "0.7").size is None


def test_what_is_no_table_is_an_error():
    with pytest.raises(ValueError, match="Expecting property name"):
        changes({"summary.json": "{"}, {"summary.json": "}"})
