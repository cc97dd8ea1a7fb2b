from pathlib import Path

import numpy as np
import pytest

from tapscan.report.cuts.lines import draw_cuts, write_cuts
from tapscan.report.maps.figures import drawing
from tapscan.sectioning.cuts import PlannedCut, plan_cuts
from tests.report.fabricated import boom, panel, scanned, tapped, tube
from tests.report.test_sections import drawn


def cut(station=None, position=None):
    return PlannedCut("BM", station, position, 1.0, "because", ())


def test_cuts_are_numbered_in_their_order():
    screened = boom()
    cuts = [one for one in plan_cuts([screened], []) if one.zone == "BM"]
    with drawing():
        held = drawn(draw_cuts(screened, cuts, Path()))
    assert {f"cut {n}" for n in range(1, len(cuts) + 1)} <= set(held)


def test_a_cut_is_on_its_points_on_a_taper_too():
    zone = tube(stations=8, end_mm=60.0)
    with drawing():
        figure = draw_cuts(tapped(zone, spots=()), [cut(station=3), cut(position=7)], Path())
        lines = {one.get_gid(): one for one in figure.findobj() if str(one.get_gid()).startswith("cut ")}
    ring, along = lines["cut 1"], lines["cut 2"]
    np.testing.assert_allclose(ring.get_xdata(), [25.0, 25.0])
    assert np.ptp(ring.get_ydata()) == pytest.approx(120 - 60 * 25 / 80)
    np.testing.assert_allclose(along.get_ydata(), [60.0, 30.0])


def test_one_picture_for_each_zone(tmp_path):
    both = [boom(), scanned(panel())]
    written = write_cuts(both, plan_cuts(both, []), tmp_path, tmp_path)
    assert [path.name for path in written] == ["cuts_BM.png", "cuts_PL.png"]
    assert write_cuts(both, [], tmp_path, tmp_path) == []
