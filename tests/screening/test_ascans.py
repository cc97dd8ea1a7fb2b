"""Scanned zones screened: delaminations, disbonds, and what a bond that cannot be resolved by leaves."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tapscan
from tapscan.synth import (
    AScanScene,
    Defect,
    Insert,
    ascan_files,
    simulate_ascans,
    true_mask,
    write_inspection,
)

PLAN = """
[laminate]
thickness_mm = 1.6
density_kg_m3 = 1550.0
velocity_m_s = 2950.0

[[zone]]
code = "BM"
shape = "tube"
stations = 24
positions = 24
station_pitch_mm = 5.0
girth_mm = 120.0
bonded = ["01-01:10-24"]

[ascan]
sample_rate_mhz = 100.0
centre_frequency_mhz = 5.0
"""
SCENE = AScanScene(insert=Insert(0.0, 50.0))
DISBOND = Defect(x_mm=25.0, s_mm=2.0, radius_mm=14.0, depth_mm=1.6)  # across the seam
DELAMINATION = Defect(x_mm=90.0, s_mm=60.0, radius_mm=12.0, depth_mm=0.7)


def screened(folder: Path, defects=(), plan: str = PLAN, scene: AScanScene = SCENE):
    from tapscan.plan.text.reading import parse_plan

    zone = parse_plan(plan).zones[0]
    volume = simulate_ascans(zone, defects, scene, seed=3)
    write_inspection(folder, {"inspection.toml": plan.encode(), **ascan_files(zone, volume)})
    results = tapscan.analyse(tapscan.open_inspection(folder))
    (screened,) = results.screened
    return screened, results.summary["warnings"], zone


def test_a_disbond_and_a_delamination_are_reported_apart(tmp_path):
    result, warnings, zone = screened(tmp_path / "a", (DISBOND, DELAMINATION))
    assert warnings == []
    kinds = {one.kind: one for one in result.indications}
    assert sorted(one.kind for one in result.indications) == ["delamination", "disbond"]
    assert kinds["disbond"].depth_mm == pytest.approx(1.6, rel=0.02)
    assert kinds["delamination"].depth_mm == pytest.approx(0.7, abs=0.05)
    for kind, defect in (("disbond", DISBOND), ("delamination", DELAMINATION)):
        one, true_mm2 = kinds[kind], np.pi * defect.radius_mm**2
        assert one.area_mm2 == pytest.approx(true_mm2, rel=0.15)
        assert one.area_low_mm2 <= true_mm2 <= one.area_high_mm2
    assert kinds["disbond"].s_mm[1] < kinds["disbond"].s_mm[0]
    suspect = result.status == "suspect"
    assert (suspect & true_mask(zone, (DISBOND, DELAMINATION))).sum() > 0.9 * suspect.sum()
    assert "240 points an insert is bonded" in result.baseline


def test_a_sound_bond_is_no_indication(tmp_path):
    result, warnings, _ = screened(tmp_path / "a")
    assert (result.indications, warnings) == ((), [])
    assert (result.status == "clear").all()


def test_a_delamination_above_a_bond_is_found(tmp_path):
    result, _, _ = screened(tmp_path / "a", (replace(DELAMINATION, x_mm=25.0),))
    assert [one.kind for one in result.indications] == ["delamination"]


def test_a_bond_that_is_not_in_the_plan_is_no_good_back_wall(tmp_path):
    # Nobody said that the insert is there: the weak back wall is what differs, not the strong one.
    result, _, _ = screened(tmp_path / "a", (), PLAN.replace("bonded", "# bonded"))
    assert {one.kind for one in result.indications} <= {"delamination"}


def test_without_an_insert_bonded_points_are_reported_to_show_nothing(tmp_path):
    result, warnings, _ = screened(tmp_path / "a", (), scene=AScanScene())
    assert result.indications == ()
    (warning,) = warnings
    assert "behind the bonds the same comes back as beside them" in warning
    assert "no disbond can be detected (check which points are bonded)" in warning


def test_a_bond_that_takes_half_a_decibel_is_reported_where_the_traces_are_quiet(tmp_path):
    scene = AScanScene(insert=Insert(0.0, 50.0, impedance_mrayl=0.15))
    result, warnings, _ = screened(tmp_path / "a", (DISBOND,), scene=scene)
    assert ([one.kind for one in result.indications], warnings) == (["disbond"], [])


def test_a_bond_that_takes_little_still_separates_a_disbond_from_a_delamination(tmp_path):
    # An insert of 0.65 MRayl leaves three quarters of the back wall: 2.5 dB less.
    scene = AScanScene(insert=Insert(0.0, 50.0, impedance_mrayl=0.65))
    above = replace(DELAMINATION, x_mm=25.0)
    result, warnings, _ = screened(tmp_path / "a", (DISBOND, above), scene=scene)
    assert warnings == []
    kinds = {one.kind: one for one in result.indications}
    assert sorted(one.kind for one in result.indications) == ["delamination", "disbond"]
    assert kinds["disbond"].area_mm2 == pytest.approx(np.pi * DISBOND.radius_mm**2, rel=0.2)
    assert kinds["delamination"].depth_mm == pytest.approx(0.7, abs=0.05)
    sound, warnings, _ = screened(tmp_path / "b", (), scene=scene)
    assert (sound.indications, warnings) == ((), [])
    assert (sound.status == "suspect").mean() < 0.01


def test_a_bond_that_takes_too_little_is_its_own_good(tmp_path):
    scene = AScanScene(insert=Insert(0.0, 50.0, impedance_mrayl=0.05))
    result, (warning,), _ = screened(tmp_path / "a", (replace(DELAMINATION, x_mm=25.0),), scene=scene)
    assert "no disbond can be detected" in warning
    assert [one.kind for one in result.indications] == ["delamination"]


def test_a_hard_insert_turns_the_back_wall_over_and_a_disbond_turns_it_back(tmp_path):
    scene = AScanScene(insert=Insert(0.0, 50.0, impedance_mrayl=17.0))
    result, warnings, _ = screened(tmp_path / "a", (DISBOND,), scene=scene)
    assert warnings == []
    assert "which turns it over by most of them" in result.baseline
    (one,) = result.indications
    assert one.kind == "disbond"
    assert one.area_mm2 == pytest.approx(np.pi * DISBOND.radius_mm**2, rel=0.2)


@pytest.mark.parametrize("stations", [20, 22, 23])
@pytest.mark.parametrize("impedance_mrayl", [3.1, 17.0])
def test_of_a_zone_bonded_nearly_all_over_what_is_beside_the_bonds_still_counts(
    tmp_path, stations, impedance_mrayl
):
    plan = PLAN.replace("01-01:10-24", f"01-01:{stations}-24")
    scene = AScanScene(insert=Insert(0.0, 5.0 * stations, impedance_mrayl=impedance_mrayl))
    sound, warnings, _ = screened(tmp_path / "a", (), plan, scene)
    assert (sound.indications, warnings) == ((), [])
    result, _, _ = screened(tmp_path / "b", (DISBOND,), plan, scene)
    (one,) = result.indications
    assert one.kind == "disbond"
    assert one.area_mm2 == pytest.approx(np.pi * DISBOND.radius_mm**2, rel=0.1)


def test_a_zone_bonded_all_over_says_so(tmp_path):
    plan = PLAN.replace("01-01:10-24", "01-01:24-24")
    _, warnings, _ = screened(tmp_path / "a", (), plan, AScanScene(insert=Insert(0.0, 120.0)))
    assert any("no disbond can be detected (scan more of the zone)" in warning for warning in warnings)
