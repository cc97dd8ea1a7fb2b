import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.errors import TapscanError
from tapscan.plan import Block
from tapscan.plan.text.reading import parse_plan
from tapscan.sectioning.findings.places import parse_places, places_text
from tests.sectioning.conftest import PLAN


@pytest.mark.parametrize(
    ("text", "blocks"),
    [
        ("BM-07-05", "07-05"),
        ("bm-7-5", "07-05"),
        ("BM-07-11:08-02", "07-11:08-02"),
        ("BM-07-11:BM-08-02", "07-11:08-02"),
        ("BM-07", "07-01:07-12"),
        ("BM-06:08", "06-01:08-12"),
        ("BM-01-01, BM-02-02; BM-03-03", "01-01 02-02 03-03"),
    ],
)
def test_places(plan, text, blocks):
    zone, found = parse_places(text, plan, "line 2")
    assert zone.code == "BM"
    assert " ".join(str(block) for block in found) == blocks


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 2: names no place (write points like BM-07-05"),
        ("07-05x", "line 2: '07-05X' is not a place on the part (write points"),
        ("BMM-07-05", "line 2: 'BMM-07-05': the plan has no zone BMM (did you mean BM?)"),
        ("Q-07-05", "line 2: 'Q-07-05': the plan has no zone Q (zones of the plan: BM, SP)"),
        ("BM-09-05", "line 2: 'BM-09-05': station 9 is outside zone BM (stations run from 1 to 8)"),
        ("BM-01-13", "line 2: 'BM-01-13': position 13 is outside zone BM (positions run from 1 to 12)"),
        ("BM-05-01:03-02", "line 2: 'BM-05-01:03-02' ends before it begins (write the lower station first)"),
        ("SP-01-05:02-03", "line 2: 'SP-01-05:02-03' crosses a seam, which a panel does not have"),
        ("BM-01-02:03", "line 2: 'BM-01-02:03' is no block from corner to corner in zone BM"),
        ("BM-01:SP-03", "line 2: 'BM-01:SP-03' is no block from corner to corner in zone BM"),
        ("BM-01-01 SP-01-01", "line 2: is in two zones, BM and SP (give each zone a line of its own"),
    ],
)
def test_what_is_no_place(plan, text, said):
    with pytest.raises(TapscanError) as error:
        parse_places(text, plan, "line 2")
    assert str(error.value).startswith(said)


corner = st.tuples(st.integers(1, 8), st.integers(1, 12))


@given(st.lists(st.tuples(corner, corner), min_size=1, max_size=4))
def test_written_then_read_is_the_same(corners):
    blocks = tuple(Block(min(a, c), b, max(a, c), d) for (a, b), (c, d) in corners)
    zone, read = parse_places(places_text("BM", blocks), parse_plan(PLAN), "line 2")
    assert (zone.code, read) == ("BM", blocks)


def test_a_zone_whose_code_looks_like_a_number():
    text = 'zone = [{code = "07", shape = "panel", stations = 9, positions = 9, station_pitch_mm = 5.0, '
    plan = parse_plan(text + "position_pitch_mm = 5.0}]")
    for name, block in (
        ("07-07-05", "07-05"),
        ("07-07-05:08-06", "07-05:08-06"),
        ("07-07:08", "07-01:08-09"),
    ):
        assert str(parse_places(name, plan, "line 2")[1][0]) == block
