import numpy as np
import pytest

from tapscan.plan import Point
from tapscan.records import open_inspection
from tapscan.records.coverage import cover


def test_counts_areas_and_missing_points(folder, tap_file):
    for name in ("BM-01-01", "BM-01-02", "BM-1-2_2"):
        tap_file(folder / "taps" / f"{name}.wav")
    (tube, panel), warnings = cover(open_inspection(folder))
    assert warnings == ()
    assert (len(tube.walk), tube.skipped) == (29, 1)
    assert tube.read == {"tap": 2}
    assert tube.missing["tap"][0] == Point("BM", 1, 3)
    assert len(tube.missing["tap"]) == 27
    assert tube.cell_area_mm2 == pytest.approx((200.0, 200.0))
    assert tube.area_mm2 == pytest.approx(6000.0)
    assert tube.area_planned_mm2 == pytest.approx(5800.0)
    assert tube.area_read_mm2 == pytest.approx(400.0)
    assert panel.read == {"tap": 0, "ascan": 0}
    assert panel.area_mm2 == pytest.approx(6 * 200.0)


def test_a_volume_reads_every_planned_point(folder):
    np.save(folder / "ascans" / "PL.npy", np.zeros((2, 3, 16), np.float32))
    (_, panel), warnings = cover(open_inspection(folder))
    assert warnings == ()
    assert panel.read == {"ascan": 6}
    assert panel.missing == {"ascan": ()}
    assert panel.area_read_mm2 == pytest.approx(panel.area_mm2)


def test_a_volume_that_does_not_fit_reads_nothing_and_says_so(folder):
    np.save(folder / "ascans" / "PL.npy", np.zeros((3, 2, 16), np.float32))
    (_, panel), (warning,) = cover(open_inspection(folder))
    assert warning.startswith(
        "ascans/PL.npy: has shape (3, 2, 16), and zone PL of the plan needs (2, 3, samples)"
    )
    assert panel.read["ascan"] == 0
    assert panel.area_read_mm2 == 0.0
