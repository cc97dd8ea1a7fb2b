"""``results/`` of one run: what belongs together, what is carried over, what is of something else."""

import json
import os
import re

import pytest

import tapscan
from tapscan.records.digests import digests
from tapscan.records.runs import (
    doubts_about_others,
    doubts_about_run,
    faults_in_run,
    fingerprint,
    is_saved,
    new_results,
)

PLAN = """
[[zone]]
code = "CL"
shape = "panel"
stations = 3
positions = 1
station_pitch_mm = 10.0
position_pitch_mm = 10.0
"""


@pytest.fixture
def part(tmp_path):
    (tmp_path / "part/taps").mkdir(parents=True)
    (tmp_path / "part/inspection.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path / "part"


def analysed(part, run="a" * 64, **files):
    """Write a run that has no more than a table and a summary, which is all that the rules look at."""
    inputs = digests(tapscan.open_inspection(part))
    files = {"points.csv": "point\n", "summary.json": json.dumps({"inputs": inputs}), **files}
    with new_results(part, "analyse", {"run": run, "inputs": fingerprint(inputs)}) as folder:
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")


def made(part, maker, name, **about):
    with new_results(part, maker, about) as folder:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(f"by {maker}", encoding="utf-8")


def names(part):
    return sorted(
        path.relative_to(part / "results").as_posix()
        for path in (part / "results").rglob("*")
        if path.is_file()
    )


def test_one_maker_s_old_files_go_and_everything_else_is_carried_over(part):
    analysed(part, **{"map_BM.png": "old", "evidence_BM-1.png": "old"})
    made(part, "grid", "wrap_BM_A4.pdf")
    made(part, "section", "section.html")
    made(part, "cuts", "cuts_BM.png")
    made(part, "compare", "change/change.html")
    made(part, "pod", "pod.json")
    (part / "results/photo.png").write_text("somebody's own", encoding="utf-8")
    (part / "results/change/notes.txt").write_text("somebody's own", encoding="utf-8")
    (part / "results/empty-link").symlink_to("nowhere")
    (part / "results/gear.part").write_text("somebody's own", encoding="utf-8")
    (part / "results/.points.csv.x1.part").write_text("half", encoding="utf-8")
    analysed(part, **{"map_XX.png": "new"})
    others = ["change/change.html", "change/notes.txt", "cuts_BM.png", "gear.part", "photo.png", "pod.json"]
    ours = ["manifest.json", "map_XX.png", "points.csv", "section.html", "summary.json", "wrap_BM_A4.pdf"]
    assert names(part) == sorted(others + ours)
    assert (part / "results/empty-link").is_symlink()
    assert (part / "results/photo.png").read_text(encoding="utf-8") == "somebody's own"
    assert list(json.loads((part / "results/manifest.json").read_text())) == [
        "analyse", "compare", "cuts", "grid", "pod", "section",
    ]  # fmt: skip
    assert [path.name for path in part.iterdir() if path.name.startswith(".")] == []


def test_without_hard_links_what_others_made_is_copied(part, monkeypatch):
    made(part, "grid", "wrap_BM_A4.pdf")

    def refuse(*_args, **_more):
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    analysed(part)
    assert (part / "results/wrap_BM_A4.pdf").read_text(encoding="utf-8") == "by grid"


def test_the_same_run_gives_the_same_bytes(part):
    analysed(part)
    before = (part / "results/manifest.json").read_bytes()
    analysed(part)
    assert (part / "results/manifest.json").read_bytes() == before


def test_a_run_that_is_whole_raises_no_doubt(part):
    analysed(part)
    assert doubts_about_run(tapscan.open_inspection(part)) == []
    assert is_saved(part, "a" * 64, "points.csv")
    assert not is_saved(part, "b" * 64, "points.csv")
    assert not is_saved(part, "a" * 64, "report.html")


def test_never_analysed_is_no_doubt(part):
    assert doubts_about_run(tapscan.open_inspection(part)) == []


def spoil_table(part):
    (part / "results/points.csv").write_text("of another run\n", encoding="utf-8")


def lose_table(part):
    (part / "results/points.csv").unlink()


def lose_manifest(part):
    (part / "results/manifest.json").unlink()


def break_manifest(part):
    (part / "results/manifest.json").write_text('{"analyse": {"files": ["points.csv"]}}', encoding="utf-8")


def break_summary(part):
    (part / "results/summary.json").write_text("[" * 100_000, encoding="utf-8")


def add_reading(part):
    (part / "taps/CL-01-01.wav").write_bytes(b"sound")


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (
            spoil_table,
            "results: are not of one run: results/points.csv is not of the run that the others are",
        ),
        (lose_table, "results: are not of one run: results/points.csv is missing"),
        (
            lose_manifest,
            "results: nothing says that they are of one run: manifest.json is missing or damaged",
        ),
        (
            break_manifest,
            "results: nothing says that they are of one run: manifest.json is missing or damage",
        ),
        (break_summary, "results/summary.json: cannot be read"),
        (add_reading, "results: belong to other inputs than those that are there now"),
    ],
)
def test_what_does_not_belong_together_is_one_sentence_with_the_way_out(part, spoil, sentence):
    analysed(part)
    spoil(part)
    (doubt,) = doubts_about_run(tapscan.open_inspection(part))
    assert doubt.startswith(sentence)
    assert doubt.endswith(f"(run: tapscan analyse {part})")


def test_a_manifest_cannot_point_outside(part, tmp_path):
    analysed(part)
    (tmp_path / "secret").write_text("mine", encoding="utf-8")
    listing = {"analyse": {"run": "a", "files": {"../../secret": "0" * 64}}}
    (part / "results/manifest.json").write_text(json.dumps(listing), encoding="utf-8")
    assert faults_in_run(part / "results") == ["results/../../secret is not the name of a result"]


def test_what_other_commands_made_of_other_inputs_is_named(part):
    inputs = fingerprint(digests(tapscan.open_inspection(part)))
    made(part, "section", "section.html", inputs=inputs)
    made(part, "compare", "change/change.html", inputs=inputs)
    made(part, "grid", "wrap_BM_A4.pdf")
    assert doubts_about_others(tapscan.open_inspection(part)) == []
    add_reading(part)
    seen = doubts_about_others(tapscan.open_inspection(part))
    assert [re.sub(r":.*", "", one) for one in seen] == ["results/section.html", "results/change/change.html"]
    assert seen[0].endswith(
        "rests on other inputs than those that are there now (run again: tapscan section)"
    )
