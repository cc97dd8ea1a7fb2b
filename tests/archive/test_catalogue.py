import json
import shutil
import sqlite3
import subprocess
import sys
import time
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapscan.archive import catalogue as module
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.catalogue import CATALOGUE, open_catalogue, rebuild
from tapscan.archive.entries import read_entry
from tapscan.archive.places import Bag, list_bags
from tapscan.archive.searching import Wanted, search
from tapscan.errors import TapscanError


def labels(archive, **wishes):
    with open_catalogue(archive) as catalogue:
        assert not any("damaged" in warning for warning in catalogue.warnings)
        return [f"{one.name}@{one.version}" for one in search(catalogue.connection, Wanted(**wishes))]


def warned(archive):
    with open_catalogue(archive) as catalogue:
        return list(catalogue.warnings), len(search(catalogue.connection, Wanted(every_version=True)))


def test_an_analysed_inspection_is_listed_with_what_was_found(bag, archive):
    with open_catalogue(archive) as catalogue:
        (one,) = search(catalogue.connection, Wanted())
    summary = json.loads((bag.inspection / "results/summary.json").read_text())
    found = json.loads((bag.inspection / "results/indications.json").read_text())
    assert (one.name, one.version, one.part) == ("seat-stay", 1, "Seat stay, left (synthetic)")
    assert (one.inspected, one.tapscan) == ("2026-03-14", "0.1.0")
    for status in ("clear", "suspect", "unread", "skipped"):
        assert getattr(one, status) == sum(row[status] for row in summary["counts"])
    assert one.indications == len(found) > 0
    assert one.largest_mm2 == max(each["area_mm2"] for each in found)
    assert one.deepest_mm == pytest.approx(0.7, abs=0.05)


@pytest.mark.usefixtures("bag")
def test_finding_by_words_in_every_text(archive, small):
    add_inspection(small(), archive)
    assert labels(archive, words=("YARD",)) == ["seat-stay@1"]  # history, whatever the case
    assert labels(archive, words=("craz", "bridge")) == ["seat-stay@1"]  # notes.txt, beginnings of words
    assert labels(archive, words=("clamp", "synthetic")) == ["clamp@1", "seat-stay@1"]
    assert labels(archive, words=("yard", "nowhere")) == []
    assert labels(archive, words=("synthetic-07",)) == ["seat-stay@1"]
    with open_catalogue(archive) as catalogue:
        (one,) = search(catalogue.connection, Wanted(words=("yard",)))
    assert "«yard»" in one.passage


def test_findings_are_searched_too(small, archive):
    folder = small()
    (folder / "findings.csv").write_text(
        "zone,kind,note\nCL,void,Blätterteig near the clamp\n", encoding="utf-8"
    )
    add_inspection(folder, archive)
    assert labels(archive, words=("blatterteig",)) == ["clamp@1"]


@pytest.mark.usefixtures("bag")
def test_finding_by_measures(archive, small):
    add_inspection(small(), archive)
    assert labels(archive, zone="pl") == ["seat-stay@1"]
    assert labels(archive, depth_over_mm=0.5) == ["seat-stay@1"]
    assert labels(archive, depth_over_mm=0.9) == []
    assert labels(archive, depth_over_mm=0.5, zone="BM") == []  # a tap test gives no depth
    assert labels(archive, area_over_mm2=100.0, zone="PL") == ["seat-stay@1"]
    assert labels(archive, area_over_mm2=500.0, depth_over_mm=0.5) == []  # no one indication is over both
    assert labels(archive, after=date(2026, 3, 14), before=date(2026, 3, 14)) == ["seat-stay@1"]
    assert labels(archive, before=date(2026, 3, 13)) == []
    assert labels(archive, after=date(2026, 3, 15)) == ["clamp@1"]  # has no date but that of archiving
    assert labels(archive, status="suspect") == ["seat-stay@1"]
    assert labels(archive, status="unread", zone="BM") == ["seat-stay@1"]
    assert labels(archive, status="unread", zone="PL") == []
    assert labels(archive, status="unread") == ["clamp@1", "seat-stay@1"]  # never analysed is unread
    assert labels(archive, status="clear") == []


def test_only_the_newest_version_unless_all_are_wanted(small, archive):
    folder = small()
    for _ in range(11):
        add_inspection(folder, archive)
    assert labels(archive) == ["clamp@11"]
    assert labels(archive, every_version=True) == [f"clamp@{n}" for n in range(1, 12)]


def test_bags_that_come_and_go_by_hand_are_noticed(small, archive, tmp_path):
    first, second = (add_inspection(small(name), archive).bag for name in ("one", "two"))
    assert labels(archive) == ["one@1", "two@1"]
    shutil.move(second.folder, tmp_path / "two@1")
    assert labels(archive) == ["one@1"]
    shutil.move(tmp_path / "two@1", archive)
    assert labels(archive) == ["one@1", "two@1"]
    third = add_inspection(small("three", part="Other"), archive).bag
    shutil.rmtree(first.folder)
    third.folder.rename(first.folder)  # another bag under the same name
    assert labels(archive, words=("other",)) == ["one@1"]


def test_a_catalogue_that_was_deleted_is_made_again_and_reported(small, archive):
    add_inspection(small(), archive)
    (archive / CATALOGUE).unlink(missing_ok=True)
    expected = "catalogue.db: was missing and has been made again from 1 bags (nothing was lost)"
    assert warned(archive) == ([expected], 1)
    assert warned(archive) == ([], 1)


@pytest.mark.parametrize("at", [0, 20, 100, 4096, 5000, 8200, 12288, 16500, 20481])
@pytest.mark.usefixtures("bag")
def test_a_catalogue_that_was_damaged_is_made_again(archive, at):
    labels_before = warned(archive)[1]
    content = bytearray((archive / CATALOGUE).read_bytes())
    content[at : at + 64] = bytes(255 - byte for byte in content[at : at + 64])
    (archive / CATALOGUE).write_bytes(content)
    (archive / f"{CATALOGUE}-journal").write_bytes(b"stale")
    warnings, count = warned(archive)
    assert count == labels_before == 1
    for warning in warnings:
        assert warning.startswith("catalogue.db: was damaged (")
        assert warning.endswith(") and has been made again from 1 bags (nothing was lost)")
    assert warned(archive) == ([], 1)


@pytest.mark.parametrize("content", [b"", b"not a database at all" * 100, b"SQLite format 3\0"])
def test_another_file_in_its_place(small, archive, content):
    add_inspection(small(), archive)
    (archive / CATALOGUE).write_bytes(content)
    warnings, count = warned(archive)
    assert count == 1
    assert len(warnings) == bool(content)
    assert warned(archive) == ([], 1)


def test_another_programs_database_in_its_place(small, archive):
    add_inspection(small(), archive)
    with sqlite3.connect(archive / CATALOGUE) as other:
        other.execute("CREATE TABLE bag (colour TEXT)")
    other.close()
    ((warning,), count) = warned(archive)
    assert count == 1
    assert "was damaged (it has another form) and has been made again" in warning


@pytest.mark.usefixtures("bag")
def test_rebuilding_gives_the_same_catalogue(archive, small):
    add_inspection(small(), archive)

    def dumped():
        with open_catalogue(archive) as catalogue:
            return search(catalogue.connection, Wanted(every_version=True))

    before = dumped()
    with sqlite3.connect(archive / CATALOGUE) as tampered:
        tampered.execute("UPDATE bag SET part = 'wrong'")
    tampered.close()
    assert dumped() == before  # what was edited is not believed
    assert rebuild(archive) == ()
    assert dumped() == before


def test_an_empty_and_a_missing_archive(archive):
    assert warned(archive) == ([], 0)
    assert not archive.exists()  # looking changes nothing
    archive.mkdir()
    assert warned(archive) == ([], 0)


def test_an_archive_that_cannot_be_written_is_read_all_the_same(small, archive, monkeypatch):
    add_inspection(small(), archive)

    def refuse(place):
        if place != ":memory:":
            error = sqlite3.OperationalError("attempt to write a readonly database")
            error.sqlite_errorcode = sqlite3.SQLITE_READONLY
            raise error
        return real(place)

    real = module._connect
    monkeypatch.setattr(module, "_connect", refuse)
    ((warning,), count) = warned(archive)
    assert count == 1
    assert "cannot be written here: attempt to write a readonly database; this time it was made in" in warning


def test_a_catalogue_that_is_held_for_long_is_reported(small, archive, monkeypatch):
    add_inspection(small(), archive)
    monkeypatch.setattr(module, "WAIT_S", 0.05)
    with sqlite3.connect(archive / CATALOGUE, isolation_level=None) as holder:
        holder.execute("BEGIN EXCLUSIVE")
        with pytest.raises(TapscanError, match=r"another program has held it for a minute \(wait"):
            labels(archive)
    holder.close()


def test_a_damaged_bag_is_listed_with_its_problem(bag, archive):
    (bag.inspection / "inspection.toml").write_text("[part")
    (bag.inspection / "results/summary.json").write_text('{"counts": [{"zone": 1}, 7]}')
    (bag.inspection / "results/indications.json").write_text("[" * 100_000)
    with open_catalogue(archive) as catalogue:
        (one,) = search(catalogue.connection, Wanted())
    assert "inspection.toml: is not valid TOML" in one.problem
    assert "results/indications.json: cannot be read" in one.problem
    assert (one.clear, one.indications) == (None, 0)


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["zone", "method", "clear"]), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from(["counts", "version"]), ANYTHING))
@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_a_summary_says_the_bag_can_be_listed(tmp_path, summary):
    folder = tmp_path / "x@1"
    (folder / "data/results").mkdir(parents=True, exist_ok=True)
    (folder / "data/results/summary.json").write_text(json.dumps(summary))
    (folder / "data/results/indications.json").write_text(json.dumps([summary, None, 3]))
    assert read_entry(Bag("x", 1, folder)).bag["problem"].startswith(str(folder / "data"))


@given(st.lists(st.text(max_size=12), max_size=3))
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_typed_is_searched_for_and_never_run(tmp_path, words):
    with open_catalogue(tmp_path / "archive") as catalogue:
        assert search(catalogue.connection, Wanted(words=tuple(words))) == []


ADDING = """
import sys
from pathlib import Path
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.catalogue import open_catalogue
from tapscan.archive.searching import Wanted, search
folder, archive = map(Path, sys.argv[1:3])
print("go", flush=True)
for _ in range(int(sys.argv[3])):
    bag = add_inspection(folder, archive).bag
    with open_catalogue(archive) as catalogue:
        found = search(catalogue.connection, Wanted(every_version=True))
        assert bag.label in {f"{one.name}@{one.version}" for one in found}
        assert catalogue.warnings in ((), ) or "missing" in catalogue.warnings[0], catalogue.warnings
"""


def test_two_processes_add_and_search_at_once(small, archive):
    folder = small()
    running = [
        subprocess.Popen([sys.executable, "-c", ADDING, folder, archive, "12"], stderr=subprocess.PIPE)
        for _ in range(2)
    ]
    for process in running:
        assert process.communicate(timeout=120)[1] == b""
    assert warned(archive) == ([], 24)


def test_killed_at_any_moment_the_catalogue_lists_every_bag(small, archive):
    folder = small()
    for turn in range(8):
        process = subprocess.Popen(
            [sys.executable, "-c", ADDING, folder, archive, "1000"], stdout=subprocess.PIPE
        )
        process.stdout.readline()
        time.sleep(0.02 + 0.013 * turn)
        process.kill()
        process.wait()
        process.stdout.close()
        warnings, count = warned(archive)
        assert count == len(list_bags(archive))
        assert all("was missing" in warning for warning in warnings), warnings
