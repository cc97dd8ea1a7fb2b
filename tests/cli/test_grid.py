import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from tapscan.cli import main


def run(*words):
    return CliRunner().invoke(main, ["grid", *map(str, words)])


def test_the_summary(folder, taps_wav):
    taps_wav(folder / "taps" / "BM-01-01.wav")
    result = run(folder)
    assert result.exit_code == 0
    assert result.stderr == ""
    text = result.stdout
    assert text.startswith("Left seat tube\n")
    assert "BM Main boom: walk BM-01-01 to BM-05-06, 29 points\n" in text
    assert (
        "  taps: 1 of 29 points (3 taps each); missing BM-01-02, BM-01-03, BM-01-04, BM-01-05, BM-01-06, "
        in text
    )
    assert "BM-02-03 …\n" in text
    assert "PL: walk PL-01-01 to PL-02-03, 6 points\n" in text
    assert "What is not read is not inspected; it never counts as clear." in text
    # By hand: the girth is 118 mm at the first station and 102 at the last, the slant of a station
    # hypot(10, 20/2π/5) = 10.02 mm, with six cells each; all together mean girth 110 mm × slant 50.1 mm.
    (row,) = [line for line in text.splitlines() if "tube 5×6" in line]
    assert "│ 170–197  │ 55.1     │ 96.5 %  │ 3.5 %" in row


def test_the_walk(folder):
    lines = run(folder, "--walk").stdout.split()
    assert len(lines) == 35
    assert lines[:2] == ["BM-01-01", "BM-01-02"]
    assert lines[9:11] == ["BM-02-04", "BM-02-06"]
    assert lines[-1] == "PL-02-03"


def test_json(folder, taps_wav):
    taps_wav(folder / "taps" / "BM-1-1.wav")
    document = json.loads(run(folder, "--json").stdout)
    tube, panel = document["zones"]
    assert (tube["points"], tube["skipped"], tube["read"]) == (29, 1, {"tap": 1})
    assert tube["walk"][0] == "BM-01-01"
    assert len(tube["missing"]["tap"]) == 28
    assert panel["cell_area_mm2"] == [200.0, 200.0]
    assert document["warnings"] == []


def test_warnings_go_to_standard_error_and_into_the_json(folder):
    (folder / "taps" / "notes.txt").write_text("x", encoding="utf-8")
    warning = "taps/notes.txt: is no recording of a known kind and was left out (move it away)"
    result = run(folder)
    assert result.exit_code == 0
    assert result.stderr == f"tapscan: {warning}\n"
    assert json.loads(run(folder, "--json").stdout)["warnings"] == [warning]


def test_a_zone_skipped_as_a_whole(folder):
    plan = folder / "inspection.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + 'skip = ["01-01:02-03"]\n', encoding="utf-8")
    assert "PL: every point is skipped" in run(folder).stdout


def test_a_wrong_plan_is_one_line_and_status_1(folder):
    plan = folder / "inspection.toml"
    plan.write_text(
        plan.read_text(encoding="utf-8").replace("girth_end_mm", "girth_ned_mm"), encoding="utf-8"
    )
    for words in ([], ["--json"], ["--walk"]):
        result = run(folder, *words)
        assert result.exit_code == 1
        assert result.stdout == ""
        assert result.stderr == (
            "tapscan: inspection.toml: zone \"BM\": unknown key 'girth_ned_mm' (did you mean girth_end_mm?)\n"
        )


def test_output_that_knows_no_special_signs_is_no_failure(folder):
    for encoding in ("ascii", "cp1252"):
        run = subprocess.run(
            [sys.executable, "-m", "tapscan", "grid", "my-part"],
            cwd=folder.parent,
            env={**os.environ, "PYTHONIOENCODING": encoding},
            capture_output=True,
            check=False,
        )
        assert (run.returncode, run.stderr) == (0, b"")
        assert b"walk BM-01-01 to BM-05-06, 29 points" in run.stdout


def test_as_a_program(folder):
    command = [sys.executable, "-m", "tapscan", "grid"]
    good = subprocess.run(
        [*command, "my-part"], cwd=folder.parent, capture_output=True, text=True, check=False
    )
    assert (good.returncode, good.stderr) == (0, "")
    bad = subprocess.run(
        [*command, "nowhere"], cwd=folder.parent, capture_output=True, text=True, check=False
    )
    assert bad.returncode == 1
    assert bad.stderr == "tapscan: nowhere: is not a folder (name the folder that holds inspection.toml)\n"


def test_what_taps_could_find_or_what_is_missing_to_say_it(folder, taps_wav):
    taps_wav(folder / "taps" / "BM-01-01.wav")
    text = run(folder).stdout
    assert "zone BM: what taps can find is not known without" in text
    plan = folder / "inspection.toml"
    wall = "[laminate]\nthickness_mm = 1.6\nmodulus_gpa = 60.0\ndensity_kg_m3 = 1550.0\n"
    kept = "".join(
        line
        for line in plan.read_text(encoding="utf-8").splitlines(keepends=True)
        if not line.startswith(("[laminate]", "thickness_mm", "modulus_gpa", "density_kg_m3"))
    )
    plan.write_text(wall + kept, encoding="utf-8")
    text = run(folder).stdout
    assert "BM: the smallest round delamination that taps could detect, in mm across, estimated" in text
    assert "Steel tip of 4.1 g and 5 mm radius, at 30 N." in text
    assert "curved like the tube where it is narrowest (16.2 mm radius)" in text
    assert "What could be found, as pictures:" in text
    assert (folder / "results" / "detectable_BM.png").read_bytes().startswith(b"\x89PNG")
    document = json.loads(run(folder, "--json").stdout)
    assert [Path(name).name for name in document["pictures"]] == ["detectable_BM.png", "detectable_PL.png"]
    tube, panel = (zone["detectable"]["tap"]["depths"] for zone in document["zones"])
    assert tube[3]["note_radius_mm"] is None
    assert panel[3]["note_radius_mm"] == pytest.approx(12.4, abs=0.1)


def test_reference_blocks_are_said_in_words_and_counted(folder):
    plan = folder / "inspection.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(
        text.replace('skip = ["02-05"]', 'reference = ["01-05:03-01", "05-02"]'), encoding="utf-8"
    )
    text = run(folder).stdout
    assert "  reference: 01-05:03-01 (stations 01 to 03, positions 05 to 01 across the datum line), " in text
    assert "05-02 (station 05, position 02); 10 points taken as sound\n" in text
    tube, panel = json.loads(run(folder, "--json").stdout)["zones"]
    assert tube["reference"][:3] == ["BM-01-01", "BM-01-05", "BM-01-06"]
    assert len(tube["reference"]) == 10
    assert panel["reference"] == []
