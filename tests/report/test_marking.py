import json

import pytest
from click.testing import CliRunner

from tapscan.cli import main
from tapscan.errors import TapscanError
from tapscan.report.marking.files import write_marked, write_templates
from tests.report.fabricated import boom, panel, plan_of, scanned, tube


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_templates_of_every_zone_and_paper_and_none_of_zones_that_are_gone(tmp_path):
    small = tube(stations=3), panel(stations=3, positions=3)
    written, warnings = write_templates(plan_of(*small), tmp_path)
    assert warnings == []
    assert [path.name for path in written] == [
        "wrap_BM_A4.pdf",
        "wrap_BM_Letter.pdf",
        "wrap_PL_A4.pdf",
        "wrap_PL_Letter.pdf",
    ]
    (tmp_path / "results" / "wrap_of_a_gift.pdf").write_text("kept")
    (tmp_path / "results" / "wrap_PL_marked_A4.pdf").write_text("kept: the inspection's, not the plan's")
    write_templates(plan_of(small[0]), tmp_path)
    assert names(tmp_path / "results") == [
        "manifest.json",
        "scale_squares_A4.pdf",
        "scale_squares_Letter.pdf",
        "wrap_BM_A4.pdf",
        "wrap_BM_Letter.pdf",
        "wrap_PL_marked_A4.pdf",
        "wrap_of_a_gift.pdf",
    ]


def test_a_wrap_nobody_would_join_is_a_warning(tmp_path):
    huge = panel(stations=1000, positions=1000, station_pitch_mm=50.0, position_pitch_mm=50.0)
    written, warnings = write_templates(plan_of(huge), tmp_path)
    assert written == []
    assert len(warnings) == 1
    assert warnings[0].startswith('inspection.toml: zone "PL": its wrap would take ')
    assert warnings[0].endswith("sheets and was not written (split the zone, if it is to be wrapped)")


def test_nothing_is_written_outside_the_inspection(tmp_path):
    (tmp_path / "part").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "part" / "results").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(TapscanError, match="results: is a link out of the inspection"):
        write_templates(plan_of(tube(stations=3)), tmp_path / "part")
    assert names(tmp_path / "elsewhere") == []


def test_results_that_cannot_be_written_are_one_line(tmp_path):
    (tmp_path / "results").write_text("a file in the way")
    with pytest.raises(TapscanError, match="results: is a file, and a folder is due there"):
        write_templates(plan_of(tube(stations=3)), tmp_path)


def test_outlines_are_written_once_for_both_methods(tmp_path):
    write_marked((boom(), scanned(tube(), spots=((13, 1, 16.0),))), tmp_path, tmp_path)
    assert names(tmp_path) == [
        "outline_BM.dxf",
        "outline_BM.svg",
        "wrap_BM_marked_A4.pdf",
        "wrap_BM_marked_Letter.pdf",
    ]


def test_the_command_says_where_the_wraps_are(tmp_path):
    plan = '[[zone]]\ncode = "BM"\nshape = "tube"\nstations = 3\npositions = 4\nstation_pitch_mm = 10.0\n'
    (tmp_path / "inspection.toml").write_text(plan + "girth_mm = 40.0\n")
    said = CliRunner().invoke(main, ["grid", str(tmp_path)])
    assert f"print {tmp_path / 'results'}/wrap_*.pdf at 100 %" in said.stdout
    assert (
        f"photos of odd shapes and of cuts: print {tmp_path / 'results'}/scale_squares_*.pdf" in said.stdout
    )
    document = json.loads(CliRunner().invoke(main, ["grid", str(tmp_path), "--json"]).stdout)
    assert document["wraps"] == [
        str(tmp_path / "results" / f"wrap_BM_{paper}.pdf") for paper in ("A4", "Letter")
    ]
