import csv
import io
import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.records.tables import csv_text, json_text


def test_a_table():
    columns = {
        "point": np.array(["BM-01-01", "BM-01-02"]),
        "n_taps": np.array([3, 2]),
        "centroid_hz": np.array([3120.123456789, np.nan]),
        "p_value": [1e-12, 0.5],
        "is_reference": np.array([True, False]),
        "depth_mm": [None, -0.0],
    }
    assert csv_text(columns) == (
        "point,n_taps,centroid_hz,p_value,is_reference,depth_mm\n"
        "BM-01-01,3,3120.123,1e-12,true,\n"
        "BM-01-02,2,,0.5,false,0\n"
    )


def test_no_rows_leave_the_header():
    assert csv_text({"point": [], "score": np.empty(0)}) == "point,score\n"


def test_columns_of_unequal_length_are_a_bug():
    with pytest.raises(ValueError, match="columns differ in length"):
        csv_text({"a": [1, 2], "b": [1]})


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", "\tx", "\rx"])
def test_text_that_a_spreadsheet_would_run_is_disarmed(text):
    (_, (cell,)) = csv.reader(io.StringIO(csv_text({"name": [text]}), newline=""))
    assert cell == f"'{text}"


def test_negative_numbers_stay_numbers():
    assert csv_text({"backwall_db": [-6.25, float("-inf")]}) == "backwall_db\n-6.25\n-inf\n"


@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.float16])
def test_single_precision_shows_no_digits_it_does_not_have(dtype):
    assert csv_text({"x_mm": np.array([0.1], dtype=dtype)}) in {"x_mm\n0.1\n", "x_mm\n0.09997559\n"}


words = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)


@given(st.lists(st.tuples(words, st.floats(), st.booleans()), max_size=8))
def test_what_is_written_reads_back(rows):
    names, numbers, flags = ([row[i] for row in rows] for i in range(3))
    text = csv_text({"name": names, "number": numbers, "flag": flags})
    assert text == csv_text(
        {"name": np.array(names, dtype=object), "number": np.array(numbers), "flag": flags}
    )
    back = list(csv.reader(io.StringIO(text, newline="")))[1:]
    assert len(back) == len(rows)
    for (name, number, flag), cells in zip(rows, back, strict=True):
        assert cells[0].removeprefix("'") == name.removeprefix("'")
        assert cells[1] == "" if math.isnan(number) else float(cells[1]) == pytest.approx(number, rel=1e-6)
        assert cells[2] == str(flag).lower()


def test_json_keeps_order_and_turns_arrays_and_gaps_into_plain_data():
    value = {
        "zeta": np.float32(0.1),
        "alpha": [np.int64(3), np.bool_(True), (1.5, None)],
        "trace": np.array([[1.0, np.nan], [np.inf, -0.0]]),
        "name": np.str_("über"),
        "scalar": np.array(2.5),
    }
    text = json_text(value)
    assert text.endswith("}\n")
    assert "über" in text
    assert json.loads(text) == {
        "zeta": 0.1,
        "alpha": [3, True, [1.5, None]],
        "trace": [[1.0, None], [None, 0.0]],
        "name": "über",
        "scalar": 2.5,
    }
    assert list(json.loads(text)) == list(value)
    assert "-0.0" not in text


def test_json_refuses_what_is_no_plain_data():
    with pytest.raises(TypeError, match="set is not plain data"):
        json_text({"a": {1}})


ten_digits = st.floats(allow_nan=False, allow_infinity=False).map(lambda value: float(f"{value:.10g}"))
plain = st.recursive(
    st.none() | st.booleans() | st.integers() | ten_digits.filter(math.isfinite) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(plain)
def test_json_of_plain_data_reads_back(value):
    assert json.loads(json_text(value)) == value
