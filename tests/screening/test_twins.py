"""Which point of one zone is where on its like, when two zones are not alike, and how they are averaged."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

from tapscan.errors import TapscanError
from tapscan.plan import Zone
from tapscan.plan.text.reading import parse_plan
from tapscan.screening.change.twins import good_points, matched, named, too_few


def zone(**changes: object) -> Zone:
    keys: dict[str, object] = {"code": '"L"', "shape": '"tube"', "stations": 12, "positions": 8}
    keys |= {"station_pitch_mm": 10.0, "girth_mm": 120.0} | changes
    if keys["shape"] == '"panel"':
        del keys["girth_mm"]
    lines = "\n".join(f"{key} = {value}" for key, value in keys.items())
    return parse_plan(f"[[zone]]\n{lines}\n").zones[0]


PANEL = {"shape": '"panel"', "position_pitch_mm": 10.0}


def test_a_tube_and_a_panel_are_no_twins():
    message = "zone L: is a tube, its twin a panel (name a twin of the same shape)"
    with pytest.raises(TapscanError, match=f"^{re.escape(message)}$"):
        matched(zone(), zone(**PANEL))


def test_zones_that_hardly_meet_are_no_twins():
    message = (
        "zone L: meets its twin at 40 of 96 points only (name a part that was inspected on the same surface)"
    )
    with pytest.raises(TapscanError, match=f"^{re.escape(message)}$"):
        matched(zone(), zone(stations=5))


def test_half_of_the_points_are_enough_to_meet():
    match = matched(zone(), zone(stations=6))
    assert match.found.sum() == 48
    assert not match.found[6:].any()


def test_other_grids_meet_by_place():
    fine = zone(stations=24, station_pitch_mm=5.0, positions=16)
    match = matched(zone(), fine)
    assert match.found.all()
    # Station 1 of the coarse grid sits at 5 mm, half way between stations 1 (2.5 mm) and 2 (7.5 mm).
    assert match.station[3, 0] in (6, 7)
    assert match.position[0].tolist() == list(range(0, 16, 2))


def test_a_panels_mirror_image_is_counted_from_the_far_edge():
    panel = zone(**PANEL)
    match = matched(panel, panel, is_mirror=True)
    assert match.found.all()
    assert match.position[0].tolist() == [7, 6, 5, 4, 3, 2, 1, 0]
    assert (match.station == np.arange(12)[:, None]).all()
    values = np.arange(96.0).reshape(12, 8)
    assert (match.laid(match.laid(values)) == values).all()


def test_a_narrower_mirror_panel_meets_at_its_far_edge():
    match = matched(zone(**PANEL), zone(**PANEL, positions=6), is_mirror=True)
    assert match.position[0, :6].tolist() == [5, 4, 3, 2, 1, 0]
    assert match.found[0].tolist() == [True] * 6 + [False] * 2
    laid = match.laid(np.ones((12, 6)))
    assert np.isnan(laid[:, 6:]).all()
    assert not match.marked(np.ones((12, 6), dtype=bool))[:, 6:].any()


def test_good_is_what_is_clear_and_what_was_read_and_is_known_to_be():
    status = np.array([["clear", "suspect", "suspect", "unread", "skipped"]])
    known = np.array([[False, False, True, True, True]])
    good = good_points(SimpleNamespace(status=status, is_reference=known))
    assert good.tolist() == [[True, False, True, False, False]]


def test_too_few_partners_are_refused():
    message = "zone L: 23 readings have a good partner in the inspection old, fewer than 24 "
    message += "(read more of both, or use another baseline)"
    assert str(too_few(zone(), "the inspection old", 23)) == message
    assert too_few(zone(), "the inspection old", 24) is None


def test_the_words_say_where_the_zone_decides_by_itself():
    assert "At 3 points there is no sound reading to subtract" in named("x", 40, 3)
    assert "no sound reading" not in named("x", 40, 0)
