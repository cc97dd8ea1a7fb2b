import json

import numpy as np
import pytest
from click.testing import CliRunner

from tapscan.cli import main
from tapscan.synth.demo import demo_files
from tapscan.synth.folder import write_inspection


@pytest.fixture(scope="module")
def scanned_files():
    """The demo without its taps, which take longer."""
    files = {name: content for name, content in demo_files().items() if not name.startswith("taps/")}
    findings = files["findings.csv"].decode().splitlines(keepends=True)
    files["findings.csv"] = "".join(line for line in findings if "BM-" not in line).encode()
    return files


@pytest.fixture
def part(scanned_files, tmp_path):
    write_inspection(tmp_path / "part", scanned_files)
    return tmp_path / "part"


def run(*arguments, keys=""):
    return CliRunner().invoke(main, ["section", *map(str, arguments)], input=keys)


def test_enter_at_once_shows_the_comparison(part):
    result = run(part, keys="\n")
    assert result.exit_code == 0
    assert "fitted respirator" in result.stdout
    assert "Photograph the part" in result.stdout
    assert "SP, ascan: 2 of 2 delaminations and disbonds that were cut had been found" in result.stdout
    assert "What was not cut is not known." in result.stdout
    assert {"section.html", "section_SP.png", "sections.csv", "sections.json"} <= {
        path.name for path in (part / "results").iterdir()
    }


def test_findings_are_asked_for_and_each_is_kept_at_once(part):
    keys = ["q", "v", "loupe", "SP-99-01", "SP-02-02", "deep", "0,6", "2", "", "rain", "Manufacture", ""]
    keys += ["../up.jpg", "", "round"]
    result = run(part, keys="\n".join(keys) + "\n")  # and there the keyboard goes
    assert result.exit_code == 0
    said = result.stdout
    assert "'q' is none of the keys" in said
    assert "station 99 is outside zone SP" in said
    assert "Size: 'deep' is not a number" in said
    assert "Cause: 'rain' is not a cause (one of: impact, manufacture, cutting, service, unknown)" in said
    assert "leads out of the inspection folder" in said
    assert "Kept: void at SP-02-02" in said
    last = (part / "findings.csv").read_text(encoding="utf-8").splitlines()[-1]
    assert last == "void,SP-02-02,,0.6,2,,,,,loupe,round,manufacture,"


def test_a_finding_broken_off_is_not_written(part):
    before = (part / "findings.csv").read_bytes()
    run(part, keys="d\n\nSP-02-02\n")
    assert (part / "findings.csv").read_bytes() == before


def test_each_kind_has_a_key_and_is_shown_with_its_word(part):
    said = run(part, keys="\n").stdout
    for word in (
        "d delamination", "b disbond", "v void", "p porosity", "w wrinkle", "r resin pool",
        "a adhesive thickness", "m foreign matter", "f fibre break", "c crack", "l planar void",
        "i missing isolation", "n nothing there",
    ):  # fmt: skip
        assert word in said


def test_adhesive_thickness_asks_for_that(part):
    run(part, keys="a\n\nSP-02-03\n0.35\n\n\n\n\n\n")
    last = (part / "findings.csv").read_text(encoding="utf-8").splitlines()[-1]
    assert last == "adhesive thickness,SP-02-03,,,,,0.35,,,,,unknown,"


def test_a_separation_is_asked_about_its_edge_its_cause_and_what_it_runs_from(part):
    said = run(part, keys="d\n\nSP-02-03\n\n\n\ncutting\nV1\n\n\n\n").stdout
    assert "Saw and drill make separations of their own at the edge. Was it there before the cut?" in said
    last = (part / "findings.csv").read_text(encoding="utf-8").splitlines()[-1]
    assert last == "delamination,SP-02-03,,,,,,,,,,cutting,V1"


def test_a_table_is_added_once(part, tmp_path):
    table = tmp_path / "bench.csv"
    table.write_text("where;kind;depth_mm\nSP-02-02;porosity;0,7\nSP-06;none;\n", encoding="utf-8")
    first = run(part, "--csv", table)
    assert "bench.csv: 2 of 2 findings added." in first.stdout
    again = run(part, "--csv", table)
    assert "bench.csv: 0 of 2 findings added, 2 were there already." in again.stdout
    assert "fitted respirator" not in again.stdout  # cutting is over


def test_a_wrong_table_adds_nothing(part, tmp_path):
    before = (part / "findings.csv").read_bytes()
    table = tmp_path / "bench.csv"
    table.write_text("where,kind\nSP-02-02,porosity\nSP-02-02,prosity\n", encoding="utf-8")
    result = run(part, "--csv", table)
    assert result.exit_code == 1
    assert result.stderr.endswith(
        "bench.csv: line 3, column kind: 'prosity' is not a kind of finding (did you mean porosity?)\n"
    )
    assert (part / "findings.csv").read_bytes() == before
    assert run(part, "--csv", tmp_path / "gone.csv").exit_code == 1


def test_cuts_are_planned_with_cautions_and_reasons(part):
    (part / "findings.csv").unlink()
    result = run(part, "--plan-cuts")
    assert result.exit_code == 0
    assert result.stdout.index("fitted respirator") < result.stdout.index("through SP-A1")
    assert sorted(path.name for path in (part / "results").iterdir()) == [
        "cuts_LG.png",
        "cuts_SP.png",
        "manifest.json",
    ]
    planned = json.loads(run(part, "--plan-cuts", "--json").stdout)
    assert planned["cuts"][0]["zone"] == "SP"
    assert planned["cautions"]


def test_planning_and_logging_do_not_go_together(part, tmp_path):
    assert run(part, "--plan-cuts", "--csv", tmp_path / "x.csv").exit_code == 2


def test_as_json_asks_nothing(part):
    result = run(part, "--json")
    document = json.loads(result.stdout)
    assert [one["verdict"] for one in document["defects"]] == ["hit", "hit"]
    assert document["page"].endswith("section.html")


def test_without_findings_nothing_is_known(part):
    (part / "findings.csv").unlink()
    result = run(part, keys="\n")
    assert result.exit_code == 0
    assert "No findings yet: nothing is known" in result.stdout
    assert json.loads(run(part, "--json").stdout)["page"] is None


def test_a_wrong_file_is_reported_before_anything_is_asked(part):
    (part / "findings.csv").write_text("kind,where\nvoid,SP-99-01\n", encoding="utf-8")
    result = run(part)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.startswith("tapscan: findings.csv: line 2, column where: 'SP-99-01'")


def test_a_reason_is_beside_a_miss(part):
    with (part / "findings.csv").open("a", encoding="utf-8") as table:
        table.write("delamination,SP-15-03,,2.2,6,6,,,,,\n")
    result = run(part, keys="\n")
    assert "F1, ascan, miss: deep: beyond 2 mm the back-wall echo hides others" in result.stdout


def test_compared_with_another_as_in_analyse(part, scanned_files, tmp_path):
    kept = ("inspection.toml", "photos/lug.png")
    other = {name: content for name, content in scanned_files.items() if name in kept}
    write_inspection(tmp_path / "before", other)
    volume = np.load(part / "ascans/SP.npy")
    (tmp_path / "before/ascans").mkdir()
    noise = np.random.default_rng(1).normal(0, 5e-4, volume.shape)
    np.save(tmp_path / "before/ascans/SP.npy", (volume + noise).astype("f4"))
    against = ["--against", str(tmp_path / "before")]
    assert CliRunner().invoke(main, ["analyse", str(part), *against]).exit_code == 0
    assert "compared with" in run(part, keys="\n").stderr
    result = run(part, *against, keys="\n")
    assert result.exit_code == 0
    assert result.stderr == ""


def test_help_shows_an_example():
    result = run("--help")
    assert "tapscan section my-part --plan-cuts" in result.stdout
