"""Two inspections compared, from folder to folder: what changed, what did not, and what is refused."""

import csv
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import tapscan
from tapscan.cli import main
from tapscan.plan.text.reading import parse_plan
from tapscan.screening.change.comparison import Comparison
from tapscan.synth import Defect, simulate_taps
from tests.screening.parts import TAPS, TUBE, another_visit, louder, tapped, write_scanned, write_tapped

# Another day: another tapper, another hand, another recorder.
OTHER_HAND = replace(TAPS, tapper_mass_g=5.0, contact_stiffness_mn_m=4.0, speed_m_s=0.6, snr_db=32.0, taps=3)
FIRST_HAND = replace(TAPS, taps=3)


def visit(folder: Path, defects, patch, number: int, *, seed: int = 2, stations: int = 20) -> None:
    """Tap one and the same tube, with these defects, on another day."""
    if number:
        another_visit(patch, number)
    plan, zone, heard = tapped(
        defects, seed=seed, stations=stations, scene=OTHER_HAND if number else FIRST_HAND
    )
    write_tapped(folder, plan, zone, louder(heard, 0.5) if number else heard)


def compared(root: Path) -> Comparison:
    return tapscan.compare(*(tapscan.open_inspection(root / name) for name in ("before", "now")))


SMALL, LARGE = Defect(60.0, 115.0, 14.0, 0.5), Defect(60.0, 115.0, 22.0, 0.5)
NEW, STILL = Defect(150.0, 30.0, 16.0, 0.5), Defect(150.0, 85.0, 16.0, 0.5)


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tube before and now: one delamination has grown across the seam, one stayed, one is new."""
    root = tmp_path_factory.mktemp("compare")
    with pytest.MonkeyPatch.context() as patch:
        visit(root / "before", [SMALL, STILL], patch, 0)
        visit(root / "now", [LARGE, STILL, NEW], patch, 1)
    (root / "now/taps/BM-18-11.wav").unlink()
    (root / "before/taps/BM-19-11.wav").write_bytes(b"")
    return root


@pytest.fixture(scope="module")
def comparison(parts: Path) -> Comparison:
    found = compared(parts)
    found.save()
    return found


def test_grown_new_and_unchanged_are_reported_apart(comparison):
    (zone,) = comparison.zones
    result = {one.shown[0].peak_point: one.kind for one in zone.changes}
    assert sorted(result.values()) == ["grown", "new", "unchanged"]
    place = {kind: point for point, kind in result.items()}
    assert place["grown"].startswith(("BM-05", "BM-06", "BM-07"))
    assert place["new"][6:] in ("03", "04", "05")
    assert place["unchanged"][6:] in ("08", "09", "10")


def test_what_was_not_read_twice_is_unread(comparison):
    (zone,) = comparison.zones
    assert zone.status[17, 10] == zone.status[18, 10] == "unread"
    assert (zone.reason[17, 10], zone.reason[18, 10]) == ("missing", "before: unreadable")
    assert zone.count("unread") == 2


def test_nothing_but_the_change_folder_is_written(parts, comparison):  # noqa: ARG001 - it was saved
    assert sorted(path.name for path in (parts / "now/results").iterdir()) == ["change", "manifest.json"]
    names = ["change.csv", "change.html", "change.json", "change_BM_tap.png"]
    assert sorted(path.name for path in (parts / "now/results/change").iterdir()) == names
    assert not (parts / "before/results").exists()


def test_the_table_has_a_row_for_every_planned_point(parts, comparison):
    with (parts / "now/results/change/change.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    (zone,) = comparison.zones
    assert len(rows) == 240
    assert [row["status"] for row in rows] == zone.status.ravel().tolist()
    by_name = {row["point"]: row for row in rows}
    new = by_name["BM-15-04"]
    assert (new["status"], new["status_before"], new["status_after"]) == ("changed", "clear", "suspect")
    assert float(new["score"]) > 1
    assert float(new["before_peak_hz"]) > 0
    unread = by_name["BM-18-11"]
    assert (unread["status"], unread["reason"], unread["score"]) == ("unread", "missing", "")


def test_the_document_holds_changes_settings_and_checksums(parts, comparison):  # noqa: ARG001
    document = json.loads((parts / "now/results/change/change.json").read_text(encoding="utf-8"))
    assert document["version"] == tapscan.__version__
    assert document["false_call_rate"] == 0.01
    assert document["before"]["folder"] == (parts / "before").as_posix()
    assert set(document["before"]["inputs"]) >= {"inspection.toml", "taps/BM-01-01.wav"}
    (counts,) = document["counts"]
    assert counts["unchanged"] + counts["changed"] + counts["unread"] + counts["skipped"] == 240
    grown = next(one for one in document["changes"] if one["kind"] == "grown")
    assert grown["area_after_mm2"] > 1.5 * grown["area_before_mm2"]
    assert set(grown["after"][0]) >= {"id", "points", "area_low_mm2", "area_high_mm2", "x_mm", "s_mm"}
    # The indications are those that an analysis by itself has.
    own = tapscan.analyse(tapscan.open_inspection(parts / "now")).indications
    result = {each["id"] for one in document["changes"] for each in one["after"]}
    assert result == {one.id for one in own}


def test_the_same_inspections_give_the_same_bytes_and_no_file_shows_where_they_were(
    parts, comparison, monkeypatch, tmp_path
):
    folder = parts / "now/results/change"
    first = {path.name: path.read_bytes() for path in folder.iterdir()}
    comparison.save()
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == first
    for name in ("before", "now"):
        shutil.copytree(parts / name, tmp_path / name, ignore=shutil.ignore_patterns("results"))
    monkeypatch.chdir(tmp_path)
    compared(Path()).save()
    for path in Path("now/results/change").iterdir():
        assert str(tmp_path).encode() not in path.read_bytes()


def test_maps_of_an_earlier_comparison_go(parts, comparison):
    stale = parts / "now/results/change/change_XX_tap.png"
    stale.write_bytes(b"old")
    comparison.save()
    assert not stale.exists()


def test_results_that_lead_out_of_the_folder_are_refused(parts, comparison, tmp_path):
    later = tmp_path / "now"
    shutil.copytree(parts / "now", later, ignore=shutil.ignore_patterns("results"))
    (tmp_path / "outside").mkdir()
    (later / "results").symlink_to(tmp_path / "outside")
    elsewhere = replace(comparison, after=tapscan.open_inspection(later))
    with pytest.raises(tapscan.TapscanError, match=r"^results: is a link out of the inspection"):
        elsewhere.save()
    assert list((tmp_path / "outside").iterdir()) == []


# What is refused


def test_an_inspection_is_not_compared_with_itself(parts):
    now = tapscan.open_inspection(parts / "now")
    result = f"{(parts / 'now').as_posix()}: is compared with itself (name two inspections)"
    with pytest.raises(tapscan.TapscanError, match=f"^{re.escape(result)}$"):
        tapscan.compare(now, now)


def test_parts_that_are_not_alike_are_refused_in_words(parts, tmp_path):
    shutil.copytree(parts / "before", tmp_path / "wide")
    plan = tmp_path / "wide/inspection.toml"
    plan.write_text(plan.read_text().replace("girth_mm = 120.0", "girth_mm = 160.0"), encoding="utf-8")
    wide, now = tapscan.open_inspection(tmp_path / "wide"), tapscan.open_inspection(parts / "now")
    result = "has no zone that can be compared with the earlier inspection: zone BM: has a girth of 120 mm, "
    result += "its twin of 160 mm"
    with pytest.raises(tapscan.TapscanError, match=re.escape(result)):
        tapscan.compare(wide, now)


def test_zones_of_one_inspection_only_are_reported(parts, tmp_path):
    shutil.copytree(parts / "before", tmp_path / "before")
    plan = tmp_path / "before/inspection.toml"
    more = '[[zone]]\ncode = "XX"\nshape = "tube"\nstations = 5\npositions = 8\nstation_pitch_mm = 10.0\n'
    plan.write_text(plan.read_text() + more + "girth_mm = 90.0\n", encoding="utf-8")
    earlier, now = tapscan.open_inspection(tmp_path / "before"), tapscan.open_inspection(parts / "now")
    comparison = tapscan.compare(earlier, now)
    assert (
        "zone XX: is in the earlier inspection only (inspect it again to compare it)"
        in (comparison.summary["warnings"])
    )


# The command


def test_the_command_prints_a_summary_and_leaves_with_0(parts):
    run = CliRunner().invoke(main, ["compare", str(parts / "before"), str(parts / "now")])
    assert run.exit_code == 0, run.output
    assert "grown" in run.stdout
    assert "Unchanged is not proof of soundness" in run.stdout
    assert "taps/BM-19-11.wav" in run.stderr


def test_the_command_prints_json(parts, comparison, monkeypatch):
    monkeypatch.setattr(tapscan, "compare", lambda *_, **__: comparison)  # found once is enough
    run = CliRunner().invoke(main, ["compare", str(parts / "before"), str(parts / "now"), "--json"])
    assert run.exit_code == 0, run.output
    document = json.loads(run.stdout)
    assert {one["kind"] for one in document["changes"]} == {"grown", "new", "unchanged"}
    assert document["page"].endswith("change.html")


def test_the_command_says_what_is_wrong_in_one_line_and_leaves_with_1(parts, tmp_path):
    for argv in (
        ["compare", str(tmp_path), str(parts / "now")],
        ["compare", str(parts / "now"), str(parts / "now")],
    ):
        run = CliRunner().invoke(main, argv)
        assert run.exit_code == 1
        assert run.stderr.startswith("tapscan: ")
        assert run.stderr.count("\n") == 1
        assert run.stdout == ""
    assert CliRunner().invoke(main, ["compare", str(parts / "now")]).exit_code == 2


# What it is worth


@pytest.mark.slow
@pytest.mark.xfail(reason="0.0038 of the points change by chance where 0.01 was requested", strict=True)
def test_as_many_points_change_by_chance_as_was_asked_for(tmp_path):
    """Eleven sound tubes, each tapped on two days by two hands with two recorders."""
    changed = points = areas = 0
    # On parts 106 and 109 the other tapper sounds very unlike the first, and on 139 at some stations.
    for seed in (*range(100, 110), 139):
        root = tmp_path / str(seed)
        with pytest.MonkeyPatch.context() as patch:
            visit(root / "before", [], patch, 0, seed=seed, stations=14)
            visit(root / "now", [], patch, 1, seed=seed, stations=14)
        (zone,) = compared(root).zones
        changed += zone.count("changed")
        points += zone.status.size
        areas += sum(one.kind in ("new", "grown", "elsewhere") for one in zone.changes)
        shutil.rmtree(root)
    assert 0.005 < changed / points < 0.02
    assert areas <= 1


@pytest.mark.slow
@pytest.mark.xfail(reason="of the ring six points are listed as changed, in two areas", strict=True)
def test_what_came_all_round_a_station_shows(tmp_path, monkeypatch):
    ring = [Defect(75.0, s_mm, 16.0, 0.5) for s_mm in (0.0, 30.0, 60.0, 90.0)]
    visit(tmp_path / "before", [], monkeypatch, 0, seed=120, stations=24)
    visit(tmp_path / "now", ring, monkeypatch, 1, seed=120, stations=24)
    (zone,) = compared(tmp_path).zones
    (one,) = (one for one in zone.changes if one.kind in ("new", "elsewhere"))
    assert one.shown[0].x_mm[0] < 75 < one.shown[0].x_mm[1]
    assert {int(name[6:]) for name in one.changed} == set(range(1, 13))


@pytest.mark.slow
def test_other_grids_of_one_part_are_matched_by_place(tmp_path):
    """The same tube, now with a mark every 5 mm; the modes are the tube's own, whatever the grid."""
    plan = TUBE.format(stations=20, taps=3, extra="")
    fine_plan = plan.replace("stations = 20", "stations = 40").replace("pitch_mm = 10.0", "pitch_mm = 5.0")
    coarse, fine = parse_plan(plan).zones[0], parse_plan(fine_plan).zones[0]
    write_tapped(tmp_path / "before", plan, coarse, simulate_taps(coarse, [SMALL], FIRST_HAND, 2))
    with pytest.MonkeyPatch.context() as patch:
        another_visit(patch, 1)
        write_tapped(tmp_path / "now", fine_plan, fine, simulate_taps(fine, [LARGE], OTHER_HAND, 2))
    (zone,) = compared(tmp_path).zones
    assert [one.kind for one in zone.changes] == ["grown"]


@pytest.mark.slow
def test_scans_are_compared_too(tmp_path):
    write_scanned(tmp_path / "before", [Defect(24.0, 20.0, 6.0, 0.6), Defect(60.0, 46.0, 6.0, 0.6)], seed=4)
    write_scanned(tmp_path / "now", [Defect(24.0, 20.0, 11.0, 0.6), Defect(60.0, 46.0, 6.0, 0.6)], seed=5)
    (zone,) = compared(tmp_path).zones
    kinds = {one.kind: one for one in zone.changes}
    assert set(kinds) == {"grown", "unchanged"}
    assert kinds["grown"].area_before_mm2 == pytest.approx(np.pi * 36, rel=0.25)
    assert kinds["grown"].area_after_mm2 == pytest.approx(np.pi * 121, rel=0.2)
