import json
import shutil

import pytest
from click.testing import CliRunner

from tapscan.cli import main

CAUTION = "A clear point is not proof of soundness"


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Run `tapscan archive …` with its archive in the test's own folder, on a wide terminal."""
    monkeypatch.setenv("TAPSCAN_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.setenv("COLUMNS", "200")
    return lambda *words: CliRunner().invoke(main, ["archive", *map(str, words)])


def document(result):
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_an_inspection_goes_in_and_comes_out(run, part, tmp_path):
    result = run("add", part)
    assert (result.exit_code, result.stderr) == (0, "")
    count = sum(path.is_file() for path in part.rglob("*"))
    assert result.stdout.startswith(f"seat-stay@1: {count} files, ")
    assert result.stdout.endswith(f"MB, in {tmp_path / 'archive/seat-stay@1'}\n")
    assert document(run("add", part, "--json"))["bag"] == "seat-stay@2"
    result = run("check")
    assert result.stdout == "seat-stay@1: as it was archived\nseat-stay@2: as it was archived\n"
    result = run("restore", "seat-stay@1", tmp_path / "back")
    assert result.exit_code == 0
    assert "of seat-stay@1, each as it was archived" in result.stdout
    assert (tmp_path / "back/inspection.toml").read_bytes() == (part / "inspection.toml").read_bytes()
    result = run("restore", "seat-stay", tmp_path / "back")
    assert result.exit_code == 1
    assert "is not empty, nothing was written (name a new or empty folder)" in result.stderr


def test_damage_is_named_and_what_is_intact_comes_out(run, small, tmp_path):
    run("add", small())
    (tmp_path / "archive/clamp@1/data/taps/CL-02-01.wav").write_bytes(b"x")
    result = run("check", "clamp")
    assert result.exit_code == 1
    assert result.stdout == "clamp@1: damaged\n  data/taps/CL-02-01.wav: was changed\n"
    assert result.stderr.startswith(f"tapscan: {tmp_path / 'archive'}: 1 of 1 damaged: clamp@1 (bring them")
    result = run("check", "--json")
    assert result.exit_code == 1
    fault = {"path": "data/taps/CL-02-01.wav", "kind": "changed", "what": "was changed"}
    assert json.loads(result.stdout) == {"bags": [{"bag": "clamp@1", "faults": [fault]}]}
    result = run("restore", "clamp", tmp_path / "back", "--intact-only", "--json")
    assert document(result)["files"] == 3
    assert "data/taps/CL-02-01.wav: was changed since it was archived (it was left out)" in result.stderr


def test_listing_and_finding(run, part, small):
    run("add", part)
    run("add", small(part="Clamp [bold]left[/bold]"))
    result = run("list")
    assert "Clamp [bold]left[/bold]" in result.stdout
    assert CAUTION in result.stdout
    result = run("find", "yard")
    assert "seat-stay@1" in result.stdout
    assert "«yard»" in result.stdout
    assert "clamp@1" not in result.stdout
    found = document(run("find", "--depth-over", "0.5", "--after", "2026-03-14", "--json"))["bags"]
    assert [one["name"] for one in found] == ["seat-stay"]
    assert document(run("find", "--status", "clear", "--json"))["bags"] == []
    assert run("find", "nowhere").stdout.endswith("nothing found\n")
    assert run("find", "--after", "14.3.2026").exit_code == 2


def test_what_a_bag_says_does_not_steer_the_terminal(run, small, tmp_path):
    run("add", small(part="Clamp\\u001b[2J\\u0007gone"))
    (tmp_path / "archive/clamp@1/data/\x1b[31mred\n.txt").touch()
    reported = run("list").stdout + run("find", "clamp").stdout + run("check").stdout
    assert "Clamp [2J gone" in reported
    assert "data/ [31mred .txt: is not part of the bag" in reported
    assert "\x1b" not in reported
    assert "\x07" not in reported


def test_a_catalogue_that_was_missing_is_reported_once(run, small, tmp_path):
    assert "catalogue.db" not in run("add", small()).stderr
    (tmp_path / "archive/catalogue.db").unlink()
    expected = "tapscan: catalogue.db: was missing and has been made again from 1 bags (nothing was lost)\n"
    assert run("list").stderr == expected
    assert run("list").stderr == ""
    assert run("rebuild").stdout == f"{tmp_path / 'archive'}: the catalogue was made again from 1 bags\n"
    assert document(run("rebuild", "--json"))["bags"] == 1


def test_computing_again(run, part, tmp_path):
    run("add", part)
    points = part / "results/points.csv"
    points.write_text(points.read_text().replace("missing", "lost"))
    run("add", part)
    result = run("rerun", "seat-stay@1", "seat-stay@2")
    assert result.exit_code == 0
    assert "seat-stay@1: the same to the byte" in result.stdout
    assert "seat-stay@2: 1 values changed" in result.stdout
    assert "BM-03-04 tap" in result.stdout
    reported = document(run("rerun", "--all", "--new-version", "--json"))["bags"]
    change = {
        "file": "points.csv",
        "of": "BM-03-04 tap",
        "value": "reason",
        "before": "lost",
        "after": "missing",
    }
    assert reported == [
        {
            "bag": "seat-stay@2",
            "problem": None,
            "was_analysed": True,
            "changes": [{**change, "size": None}],
            "new_version": "seat-stay@3",
        }
    ]
    assert (tmp_path / "archive/seat-stay@3/data/results/report.html").is_file()
    again = document(run("rerun", "seat-stay@3", "--new-version", "--json"))["bags"][0]
    assert (again["changes"], again["new_version"]) == ([], None)


def test_what_cannot_be_computed_is_reported_after_the_rest(run, part, small, tmp_path):
    run("add", part)
    run("add", small())
    (tmp_path / "archive/seat-stay@1/data/taps/BM-01-01.wav").unlink()
    result = run("rerun", "--all")
    assert result.exit_code == 1
    assert "clamp@1: was archived without results; computed now for the first time" in result.stdout
    assert "tapscan: seat-stay@1/data/taps/BM-01-01.wav: is missing (see archive check)" in result.stderr
    assert "1 not computed: seat-stay@1" in result.stderr
    assert run("rerun").exit_code == 2
    assert run("rerun", "clamp", "--all").exit_code == 2


@pytest.mark.parametrize("form", ["csv", "json", "diconde"])
def test_exporting(run, part, tmp_path, form):
    run("add", part)
    result = run("export", "seat-stay", tmp_path / "out", "--form", form)
    count = len(list((tmp_path / "out").iterdir()))
    assert result.stdout == f"{tmp_path / 'out'}: {count} files of seat-stay@1\n"
    shutil.rmtree(tmp_path / "out")
    assert (
        len(document(run("export", "seat-stay", tmp_path / "out", "--form", form, "--json"))["files"])
        == count
    )


def test_the_archive_can_be_named(run, small, tmp_path):
    run("add", small(), "--archive", tmp_path / "stick")
    assert (tmp_path / "stick/clamp@1").is_dir()
    assert not (tmp_path / "archive").exists()


@pytest.mark.parametrize("name", ["add", "check", "restore", "list", "find", "rebuild", "rerun", "export"])
def test_every_help_shows_an_example(run, name):
    result = run(name, "--help")
    assert result.exit_code == 0
    assert f"tapscan archive {name}" in result.stdout.partition("Example:")[2]
    assert "--json" in result.stdout
    assert name in run("--help").stdout


@pytest.mark.parametrize(
    ("words", "reported"),
    [
        (("add", "nowhere"), "nowhere: "),
        (("check", "nowhere"), "holds no bag (add one: tapscan archive add DIR)"),
        (("rerun", "nowhere"), "holds no bag"),
        (("export", "nowhere", "out", "--form", "csv"), "holds no bag"),
    ],
)
def test_errors_are_one_line(run, words, reported):
    result = run(*words)
    assert (result.exit_code, result.stdout) == (1, "")
    assert reported in result.stderr
    assert result.stderr.count("\n") == 1
