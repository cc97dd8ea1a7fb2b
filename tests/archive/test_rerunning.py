import dataclasses
import json
import shutil

import numpy as np
import pytest
from PIL import Image

import tapscan
from tapscan.archive import rerunning
from tapscan.archive.bags.checking import check_bag
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.stored import stored_tables
from tapscan.archive.places import list_bags
from tapscan.archive.rerunning import add_version, recompute, rerun, task_of
from tapscan.sectioning.cut_photos import write_marks
from tapscan.sectioning.measured import Mark, Marked, ScaleMark
from tapscan.synth import write_inspection
from tests.archive.conftest import simulated
from tests.archive.test_bags import contents

FINDINGS = "kind,where\nnone,BM-02-01:02-08\n"


def save(folder, others):
    against = [tapscan.open_inspection(other) for other in others]
    for name, text in tapscan.analyse(tapscan.open_inspection(folder), against).tables.items():
        (folder / "results").mkdir(exist_ok=True)
        (folder / "results" / name).write_bytes(text.encode())


def test_the_same_version_gives_the_same_bytes_and_touches_nothing(bag, archive):
    before = contents(archive)
    (again,) = rerun([bag], archive)
    assert (again.problem, again.changes, again.was_analysed) == ("", (), True)
    assert again.tables == stored_tables(bag)
    assert contents(archive) == before


def test_what_changed_is_reported_number_by_number(part, archive):
    points = part / "results/points.csv"
    lines = points.read_text().splitlines(keepends=True)
    names = lines[0].strip().split(",")
    cells = lines[5].split(",")
    cells[names.index("score")] = "0.125"
    cells[names.index("status")] = "unread"
    points.write_text("".join([*lines[:5], ",".join(cells), *lines[6:]]))
    summary = json.loads((part / "results/summary.json").read_text())
    summary["version"] = "0.0.1"
    (part / "results/summary.json").write_text(json.dumps(summary))
    (again,) = rerun([add_inspection(part, archive).bag], archive)
    reported = {(c.file, c.of, c.value, c.before) for c in again.changes}
    assert reported == {
        ("points.csv", f"{cells[0]} tap", "score", "0.125"),
        ("points.csv", f"{cells[0]} tap", "status", "unread"),
        ("summary.json", "", "version", "0.0.1"),
    }


def test_a_damaged_bag_is_reported_and_the_others_are_computed(bag, archive, part):
    sound = add_inspection(part, archive).bag
    (bag.inspection / "taps/BM-01-01.wav").write_bytes(b"gone")
    bad, good = rerun([bag, sound], archive)
    assert bad.problem == "seat-stay@1/data/taps/BM-01-01.wav: was changed (see archive check)"
    assert (bad.tables, good.problem, good.changes) == ({}, "", ())


def test_an_inspection_that_was_never_analysed(part, archive):
    shutil.rmtree(part / "results")
    (again,) = rerun([add_inspection(part, archive).bag], archive)
    assert (again.was_analysed, again.changes, again.problem) == (False, (), "")
    assert set(again.tables) == {"points.csv", "indications.json", "summary.json"}


def test_results_that_cannot_be_read_are_reported(part, archive):
    (part / "results/indications.json").write_text("[7]")
    (again,) = rerun([add_inspection(part, archive).bag], archive)
    assert again.problem.startswith("seat-stay@1: its results cannot be read: ")


def test_what_it_was_compared_with_is_found_in_the_archive_by_its_inputs(part, archive, tmp_path):
    earlier = tmp_path / "last-year"
    write_inspection(earlier, simulated(seed=6))
    save(part, [earlier])
    bag = add_inspection(part, archive).bag
    (lost,) = rerun([bag], archive)
    where = f"seat-stay@1: was compared with {earlier}, which is not in the archive as it was then"
    assert lost.problem == f"{where} (add that inspection, then run this again)"
    (earlier / "findings.csv").write_text(FINDINGS)  # cut since: it counts, so that is another inspection
    add_inspection(earlier, archive)
    assert rerun([bag], archive)[0].problem == lost.problem
    (earlier / "findings.csv").unlink()
    add_inspection(earlier, archive)
    (again,) = rerun([bag], archive)
    assert (again.problem, again.changes) == ("", ())


def test_a_new_version_holds_new_results_and_the_old_one_stays(part, archive):
    (part / "results/points.csv").write_text("point,method\nold,tap\n")
    (part / "results/leftover.png").write_bytes(b"old")
    bag = add_inspection(part, archive).bag
    before = contents(bag.folder)
    new = add_version(bag, archive, save)
    assert new.label == "seat-stay@2"
    assert contents(bag.folder) == before
    assert check_bag(new.folder) == ()
    assert not (new.inspection / "results/leftover.png").exists()
    assert rerun([new], archive)[0].changes == ()
    assert [each.label for each in list_bags(archive)] == ["seat-stay@1", "seat-stay@2"]
    assert [path.name for path in archive.iterdir() if path.name.endswith(".part")] == []


def test_a_worker_that_does_not_see_the_archive_says_so(bag, archive):
    task = dataclasses.replace(task_of(bag, archive), folder="/nowhere/seat-stay@1")
    assert recompute(task).problem == (
        "/nowhere/seat-stay@1: is not to be seen from where it should be computed "
        "(give every worker the archive under this path)"
    )


def test_another_version_on_a_worker_is_reported(bag, archive, monkeypatch):
    real = rerunning.recompute
    monkeypatch.setattr(rerunning, "recompute", lambda task: dataclasses.replace(real(task), version="9.9"))
    (again,) = rerun([bag], archive)
    what = "seat-stay@1: was computed by tapscan 9.9, and this is 0.1.0"
    assert again.problem == f"{what} (install the same version on every worker)"


@pytest.mark.usefixtures("bag")
def test_progress_counts_bags(part, archive):
    add_inspection(part, archive)
    reported = []
    rerun(list_bags(archive), archive, progress=lambda done, total: reported.append((done, total)))
    assert reported == [(1, 2), (2, 2)]


def test_what_was_measured_on_a_photo_is_archived_and_computed_again(part, archive):
    (part / "photos").mkdir(exist_ok=True)
    Image.fromarray(np.full((60, 80), 120, dtype=np.uint8)).save(part / "photos/cut.png")
    layer = Mark(kind="adhesive thickness", px=(((10, 10), (10, 16)),))
    bar = ScaleMark(points_px=((0, 50), (60, 50)), length_mm=20.0)
    write_marks(part, Marked(photo="photos/cut.png", scale=bar, marks=(layer,)))
    (again,) = rerun([add_inspection(part, archive).bag], archive)
    assert (again.changes, again.problem) == ((), "")
    assert "photos/cut.measured.json" in again.tables
    name = part / "photos/cut.measured.json"
    document = json.loads(name.read_text(encoding="utf-8"))
    document["results"][0]["count"] = 7
    name.write_text(json.dumps(document), encoding="utf-8")
    (again,) = rerun([add_inspection(part, archive).bag], archive)
    assert [(one.file, one.value, one.before, one.after) for one in again.changes] == [
        ("photos/cut.measured.json", "count", "7", "1")
    ]
