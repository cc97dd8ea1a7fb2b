import numpy as np

from tapscan.plan.text.reading import parse_plan
from tapscan.sectioning.findings.csv_text import parse_findings
from tapscan.sectioning.findings.recorded import defects_of, points_of, shown
from tapscan.synth.defects import Defect, true_mask
from tapscan.synth.fleet import fleet
from tapscan.synth.saw import FINDINGS_HEADER, Cut, cut_findings, taken_apart
from tests.sectioning.conftest import PLAN

WIDE = Defect(x_mm=34.0, s_mm=118.0, radius_mm=18.0, depth_mm=0.45)
PLANNED = parse_plan(PLAN)
TUBE = PLANNED.zone("BM")


def read(lines):
    return parse_findings("\n".join([FINDINGS_HEADER, *lines]), PLANNED, "findings.csv")


def test_a_cut_shows_what_is_on_it_and_no_more():
    rows = read(cut_findings(TUBE, [WIDE], [Cut(station=4), Cut(position=1)], seed=1))
    bad = points_of(TUBE, [row for row in rows if row.kind == "delamination"])
    on_cut = np.zeros(TUBE.grid_shape, dtype=bool)
    on_cut[3] = on_cut[:, 0] = True
    np.testing.assert_array_equal(bad, true_mask(TUBE, [WIDE]) & on_cut)
    np.testing.assert_array_equal(shown(TUBE, rows) != "not cut", on_cut)


def test_sizes_are_good_to_a_millimetre_and_depths_to_a_tenth():
    rows = read(cut_findings(TUBE, [WIDE], [Cut(station=4), Cut(position=1)], seed=1))
    across, along = (row for row in rows if row.kind == "delamination")
    assert abs(across.width_mm - 36) <= 2
    assert across.length_mm is None
    assert abs(along.length_mm - 36) <= 2
    assert along.width_mm is None
    assert all(abs(row.depth_mm - 0.45) <= 0.15 for row in (across, along))
    assert list(defects_of(TUBE, rows)) == ["BM-D1"]


def test_taken_apart_leaves_nothing_unknown():
    rows = read(taken_apart(TUBE, [WIDE], seed=1))
    assert not (shown(TUBE, rows) == "not cut").any()
    np.testing.assert_array_equal(shown(TUBE, rows) == "delamination", true_mask(TUBE, [WIDE]))


def test_one_between_the_points_is_noted_at_the_nearest():
    rows = read(taken_apart(TUBE, [Defect(30.2, 14.0, 1.0, 0.5)], seed=1))
    assert rows[0].where == "BM-04-02"
    assert rows[0].length_mm <= 4


def test_all_round_is_one_block():
    rows = read(taken_apart(TUBE, [Defect(45.0, 0.0, 70.0, 0.5)], seed=1))
    assert "BM-05-01:05-12" in rows[0].where


def test_a_fleet_is_the_same_every_time_and_says_what_it_is():
    (name, files), (_, again) = (next(fleet(1)) for _ in range(2))
    assert files == again
    assert name == "part-001"
    assert files["inspection.toml"].startswith(b"# SYNTHETIC")
    plan = parse_plan(files["inspection.toml"].decode())
    rows = parse_findings(files["findings.csv"].decode(), plan, "findings.csv")
    assert all("synthetic" in row.note for row in rows)
