import numpy as np
import pytest

from tapscan.records import open_inspection
from tapscan.records.coverage import cover


def test_counts_areas_and_missing_points(folder, tap_file):
    for name in ("BM-01-01", "BM-01-02", "BM-1-2_2"):
        tap_file(folder / "taps" / f"{name}.wav")
    (tube, panel), warnings = cover(open_inspection(folder))
    assert warnings == ()
    assert tube.is_planned.sum() == 29
    assert list(tube.read) == ["tap"]
    assert tube.names(tube.read["tap"]) == ["BM-01-01", "BM-01-02"]
    assert tube.names(tube.missing("tap"), slice(3)) == ["BM-01-03", "BM-01-04", "BM-01-05"]
    assert tube.missing("tap").sum() == 27
    assert tube.cell_area_mm2 == pytest.approx(np.full((5, 6), 200.0))
    assert tube.area_mm2(tube.is_planned) == pytest.approx(5800.0)
    assert tube.area_mm2(tube.is_read) == pytest.approx(400.0)
    assert {method: int(read.sum()) for method, read in panel.read.items()} == {"tap": 0, "ascan": 0}
    assert panel.names(panel.is_planned)[-1] == "PL-02-03"


def test_a_volume_reads_every_planned_point(folder):
    np.save(folder / "ascans" / "PL.npy", np.zeros((2, 3, 16), np.float32))
    (_, panel), warnings = cover(open_inspection(folder))
    assert warnings == ()
    assert list(panel.read) == ["ascan"]
    assert panel.read["ascan"].all()
    assert not panel.missing("ascan").any()


def test_a_volume_that_does_not_fit_reads_nothing_and_says_so(folder):
    np.save(folder / "ascans" / "PL.npy", np.zeros((3, 2, 16), np.float32))
    (_, panel), (warning,) = cover(open_inspection(folder))
    assert warning.startswith(
        "ascans/PL.npy: has shape (3, 2, 16), and zone PL of the plan needs (2, 3, samples)"
    )
    assert not panel.read["ascan"].any()
    assert panel.area_mm2(panel.is_read) == 0.0
