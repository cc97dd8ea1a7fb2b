import numpy as np
import pytest

from tapscan.plan import Block
from tapscan.report.maps.figures import drawing
from tapscan.report.pages.both import both_picture, draw_both, indication_rows, point_rows
from tapscan.screening.areas.agreement import agreement
from tests.report.fabricated import panel, scanned, tapped, tube

GONE = [(30, 6), (30, 7), (30, 8), (29, 6), (29, 7), (29, 8), (31, 6), (31, 7), (31, 8), (28, 7), (32, 7)]


@pytest.fixture(scope="module")
def pair():
    """One place seen by both, one by the tap alone, one by the A-scan alone, one that only the tap met."""
    zone = tube(skip=(Block(20, 5, 21, 6),))
    tap = tapped(zone, spots=((14, 1, 16.0), (30, 7, 14.0), (5, 6, 12.0)), unread=[(25, 3)])
    return tap, scanned(zone, spots=((14, 1, 14.0), (22, 9, 12.0)), unread=GONE)


def drawn(tap, scan):
    with drawing():
        axes = draw_both(tap, scan).axes[0]
    return {child.get_gid(): child for child in axes.get_children() if child.get_gid()}


def test_the_points_add_up_to_the_grid(pair):
    (entry,) = agreement(pair)
    rows = dict(point_rows(entry))
    assert sum(int(count) for count in rows.values()) == 480
    assert rows["Both suspect"] == "5"
    assert rows["Neither: unread by both, or left out"] == "4"


def test_the_indications_say_who_saw_them(pair):
    (entry,) = agreement(pair)
    assert indication_rows(entry, pair) == [
        (
            "Seen by both",
            "BM-T1 and BM-A1",
            "stations 13 to 15, positions 12 to 02, across the datum line, 0.60 mm deep",
        ),
        ("Tap alone: scanned there, no indication", "BM-T3", "stations 04 to 06, positions 05 to 07"),
        (
            "A-scan alone: tapped there, no indication",
            "BM-A2",
            "stations 21 to 23, positions 08 to 10, 0.60 mm deep",
        ),
        ("Tap alone: not scanned there", "BM-T2", "stations 29 to 31, positions 06 to 08"),
    ]


def test_the_map_holds_every_suspect_point_once_and_separates_the_methods(pair):
    tap, scan = pair
    parts = drawn(tap, scan)
    marked = {
        name: set(zip(*parts[f"suspect {name}"].get_data(), strict=True)) for name in ("both", "tap", "ascan")
    }
    for one, names in ((tap, ("both", "tap")), (scan, ("both", "ascan"))):
        suspect = {(i + 1, p + 1) for i, p in np.argwhere(one.status == "suspect").tolist()}
        assert marked[names[0]] | marked[names[1]] == suspect
    assert not marked["tap"] & marked["ascan"]
    assert [parts[f"suspect {name}"].get_fillstyle() for name in marked] == ["full", "left", "right"]
    assert parts["unread tap"].get_hatch() != parts["unread ascan"].get_hatch()
    cells = parts["cells"].get_array()
    assert (np.asarray(cells) == 0).sum() == 4


def test_a_panel_and_a_single_point():
    for zone in (panel(), tube(stations=1, positions=1)):
        picture = both_picture(tapped(zone, spots=()), scanned(zone, spots=()))
        assert picture.png.startswith(b"\x89PNG")
        assert picture.name == f"both_{zone.code}.png"
