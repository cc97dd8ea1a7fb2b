import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.plan import Block, Point, parse_block, parse_point, point_name

codes = st.from_regex(r"[A-Z0-9]{1,8}", fullmatch=True)
numbers = st.integers(0, 999_999)
padding = st.integers(0, 3)


@given(codes, numbers, numbers)
def test_a_name_reads_back_as_its_point(zone, station, position):
    name = point_name(zone, station, position)
    assert parse_point(name) == Point(zone, station, position)
    assert str(Point(zone, station, position)) == name


@given(codes, st.integers(0, 999), st.integers(0, 999), padding, padding)
def test_zero_padding_is_free(zone, station, position, one, two):
    name = f"{zone}-{'0' * one}{station}-{'0' * two}{position}"
    assert parse_point(name) == Point(zone, station, position)


@pytest.mark.parametrize(
    "text",
    ["", "BM", "BM-7", "BM-7-5-1", "bm-7-5", "BM-7-5 ", " BM-7-5", "BM_7_5", "BM--7-5", "BM-+7-5", "BM-7.0-5",
     "ABCDEFGHI-1-1", "BÜ-1-1", "BM-٣-1", "BM-1234567-1", "-1-1", "BM-7-5\n"],
)  # fmt: skip
def test_what_is_no_point(text):
    assert parse_point(text) is None


@given(st.text(max_size=20))
def test_any_text_is_a_point_or_none(text):
    point = parse_point(text)
    assert point is None or parse_point(str(point)) == point


def test_points_sort_by_zone_station_and_position():
    points = [Point("B", 1, 1), Point("A", 10, 1), Point("A", 2, 11), Point("A", 2, 2)]
    assert [str(point) for point in sorted(points)] == ["A-02-02", "A-02-11", "A-10-01", "B-01-01"]


@given(numbers, numbers, numbers, numbers)
def test_a_block_reads_back_and_keeps_the_way_round_the_girth(station, position, other, last):
    block = parse_block(f"{station}-{position}:{other}-{last}")
    assert block == Block(station, position, other, last)
    assert parse_block(str(block)) == block


@pytest.mark.parametrize(
    "text", ["", "7", "7-5:", ":7-5", "7-5:8", "7-5:8-6:9-7", "BM-07-05", "7-5;8-6", "٣-1"]
)
def test_what_is_no_block(text):
    assert parse_block(text) is None
