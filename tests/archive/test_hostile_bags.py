"""One bag that cannot be read never stops the others: what once did, kept as tests."""

import hashlib
import json
import os
import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from tapscan.archive import catalogue as module
from tapscan.archive.bags.checking import check_bag
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.manifests import unportable
from tapscan.archive.catalogue import CATALOGUE, ask, open_catalogue, take_in
from tapscan.archive.entries import read_entry
from tapscan.archive.exporting import export_bag
from tapscan.archive.places import list_bags
from tapscan.archive.searching import Wanted, search
from tapscan.errors import TapscanError
from tests.archive.test_commands import document, run  # noqa: F401 - a fixture

LONE = "\\ud800"


def summary(**changes):
    counts = {"zone": "CL", "method": "tap", "clear": 1, "suspect": 1, "unread": 1, "skipped": 0}
    return json.dumps({"version": "0.1.0", "counts": [counts], **changes}).replace("\\\\ud800", LONE)


def results(folder: Path, name: str, text: str) -> None:
    (folder / "data/results").mkdir(exist_ok=True)
    (folder / "data/results" / name).write_text(text, encoding="utf-8")


def huge_counts(folder):
    results(
        folder,
        "summary.json",
        summary(
            counts=[
                dict.fromkeys(("clear", "suspect", "unread", "skipped"), 2**70)
                | {"zone": "CL", "method": "tap"}
            ]
        ),
    )


def negative_counts(folder):
    results(folder, "summary.json", summary().replace('"clear": 1', '"clear": -5'))


def lone_version(folder):
    results(folder, "summary.json", summary(version=LONE))


def lone_identity(folder):
    results(folder, "indications.json", f'[{{"id": "{LONE}", "zone": "{LONE}", "area_mm2": 1e400}}]')


def long_tag(folder):
    with (folder / "tagmanifest-sha512.txt").open("a") as stream:
        stream.write(f"{'0' * 128}  {'x' * 300}\n")


def zero_tag(folder):
    with (folder / "tagmanifest-sha512.txt").open("a") as stream:
        stream.write(f"{'0' * 128}  a\0b\n")


def closed_folder(folder):
    shutil.rmtree(folder / "data")
    (folder / "data").symlink_to("data")  # a link to itself: what asks for anything in it is refused


def plan_is_a_folder(folder):
    (folder / "data/inspection.toml").unlink()
    (folder / "data/inspection.toml").mkdir()


def tags_are_a_folder(folder):
    (folder / "bag-info.txt").unlink()
    (folder / "bag-info.txt").mkdir()


def deep_results(folder):
    results(folder, "summary.json", "[" * 100_000)


def counts_of_another_kind(folder):
    results(folder, "summary.json", summary(counts={"zone": 3}))


CASES = [
    huge_counts, negative_counts, lone_version, lone_identity, long_tag, zero_tag, closed_folder,
    plan_is_a_folder, tags_are_a_folder, deep_results, counts_of_another_kind,
]  # fmt: skip


@pytest.mark.parametrize("spoil", CASES, ids=lambda one: one.__name__)
def test_one_bag_never_blocks_the_archive(run, small, archive, spoil):  # noqa: F811
    spoil(add_inspection(small("bad"), archive).bag.folder)
    add_inspection(small("good"), archive)
    for words in (("list",), ("find", "synthetic"), ("rebuild",), ("list", "--json")):
        result = run(*words)
        assert result.exit_code == 0, result.output
    assert [one["name"] for one in document(run("list", "--json"))["bags"]] == ["bad", "good"]
    result = run("check")
    assert "good@1: as it was archived" in result.stdout
    assert isinstance(result.exception, SystemExit | None)
    result = run("add", small("new"))
    assert (result.exit_code, result.stdout.split(":")[0]) == (0, "new@1")
    (new,) = [bag for bag in list_bags(archive) if bag.name == "new"]
    assert check_bag(new.folder) == ()


def test_what_cannot_be_read_is_listed_with_its_reason(small, archive):
    bag = add_inspection(small("bad"), archive).bag
    huge_counts(bag.folder)
    found, _ = ask(archive, lambda connection: search(connection, Wanted()))
    assert found[0].problem.endswith("results/summary.json: has counts that cannot be read")
    assert found[0].clear == 0


def test_a_disk_that_fails_is_a_problem_of_its_bag(small, archive, monkeypatch):
    bag = add_inspection(small("bad"), archive).bag

    def refuse(_folder):
        raise PermissionError(13, "Permission denied", str(bag.inspection))

    monkeypatch.setattr("tapscan.archive.entries.read_plan", refuse)
    assert read_entry(bag).bag["problem"] == "cannot be read: Permission denied"
    found, _ = ask(archive, lambda connection: search(connection, Wanted()))
    assert found[0].clear is None


def test_an_unreadable_folder_is_one_fault_and_not_every_file_missing(small, archive, monkeypatch):
    """By hand, since the superuser may look into everything."""
    bag = add_inspection(small(), archive).bag
    walk = os.walk

    def closed(top, onerror=None):
        onerror(PermissionError(13, "Permission denied", str(bag.inspection)))
        yield from ((here, folders, names) for here, folders, names in walk(top) if "data" not in here)

    monkeypatch.setattr(os, "walk", closed)
    (fault,) = check_bag(bag.folder)
    assert (fault.path, fault.what) == ("data", "cannot be looked into: Permission denied")


def test_a_source_that_cannot_be_read_is_not_called_a_full_disk(small, archive, monkeypatch):
    folder = small()
    real = os.open

    def refuse(path, *flags, **more):
        if str(path).endswith("CL-02-01.wav"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, *flags, **more)

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(
        TapscanError, match=r"CL-02-01.wav: cannot be read: Permission denied \(check its perm"
    ):
        add_inspection(folder, archive)
    assert list_bags(archive) == []


def test_add_tells_the_truth_when_the_catalogue_cannot_be_kept(run, small, archive, monkeypatch):  # noqa: F811
    run("add", small("first"))

    def refuse(*_args, **_more):
        raise sqlite3.OperationalError

    monkeypatch.setattr(module, "_insert", refuse)
    result = run("add", small("second"))
    assert (result.exit_code, result.stdout.split(":")[0]) == (0, "second@1")
    monkeypatch.undo()
    with open_catalogue(archive) as catalogue:
        assert len(search(catalogue.connection, Wanted())) == 2
        assert catalogue.warnings == ()


def test_a_bag_is_taken_in_without_a_look_at_the_others(small, archive, monkeypatch):
    add_inspection(small("first"), archive)
    with open_catalogue(archive):
        pass
    bag = add_inspection(small("second"), archive).bag
    read = []
    name = "tapscan.archive.entries.read_entry"
    monkeypatch.setattr(name, lambda bag: (read.append(bag.label), read_entry(bag))[1])
    take_in(archive, bag)
    with open_catalogue(archive) as catalogue:
        assert len(search(catalogue.connection, Wanted())) == 2
    assert read == ["second@1"]


def listed(archive):
    return ask(archive, lambda connection: search(connection, Wanted(every_version=True)))


def test_every_flipped_bit_of_the_catalogue_heals_or_changes_nothing(small, archive):
    for name in ("clamp", "strut", "wing"):
        add_inspection(small(name), archive)
    truth, _ = listed(archive)
    whole = (archive / CATALOGUE).read_bytes()
    chance = random.Random(3)
    for _ in range(300):
        spoilt = bytearray(whole)
        spoilt[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
        (archive / CATALOGUE).write_bytes(spoilt)
        assert listed(archive)[0] == truth
        found, _ = ask(archive, lambda connection: search(connection, Wanted(words=("synthetic", "wing"))))
        assert [one.name for one in found] == ["wing"]


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_a_catalogue_that_was_cut_short_heals(small, archive, share):
    add_inspection(small(), archive)
    truth, _ = listed(archive)
    whole = (archive / CATALOGUE).read_bytes()
    (archive / CATALOGUE).write_bytes(whole[: int(share * len(whole))])
    assert listed(archive)[0] == truth


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE zone SET unread = 0",
        "UPDATE bag SET problem = ''",
        "UPDATE bag SET digest = 'x'",
        "DELETE FROM zone",
        "INSERT INTO zone VALUES (77, 'XX', 'tap', 1, 1, 1, 1)",
        "INSERT INTO indication VALUES (1, 'a', 'b', 'c', 'd', 'e', 1.0, 1.0, 1.0)",
        "UPDATE words SET history = 'nothing'",
        "DROP TABLE zone",
        "ALTER TABLE zone DROP COLUMN skipped",
    ],
)
def test_what_was_edited_in_the_catalogue_is_not_believed(small, archive, edit):
    bag = add_inspection(small(), archive).bag
    huge_counts(bag.folder)
    truth, _ = listed(archive)
    with sqlite3.connect(archive / CATALOGUE) as tampered:
        tampered.execute(edit)
    tampered.close()
    found, warnings = listed(archive)
    assert found == truth
    assert "and has been made again from 1 bags (nothing was lost)" in warnings[0]


def reseal(bag):
    """Make the bag's lists fit what it holds now, as somebody who knows how would."""
    for algorithm in ("sha256", "sha512"):
        lines = []
        for path in sorted(bag.inspection.rglob("*")):
            if path.is_file():
                digest = hashlib.new(algorithm, path.read_bytes()).hexdigest()
                lines.append(f"{digest}  {path.relative_to(bag.folder).as_posix()}\n")
        (bag.folder / f"manifest-{algorithm}.txt").write_text("".join(lines))


def test_results_of_two_runs_are_named_in_the_list_and_not_exported(bag, archive, tmp_path):
    table = bag.inspection / "results/points.csv"
    table.write_text(table.read_text().replace("suspect", "clear"))
    reseal(bag)
    found, _ = listed(archive)
    assert (
        "its results are not of one run: results/points.csv is not of the run that the othe"
        in found[0].problem
    )
    with pytest.raises(TapscanError, match=r"its results are not of one run: results/points\.csv is not of"):
        export_bag(bag, tmp_path / "out", "json")


FORMULAS = ['=HYPERLINK("http://x","y")', "+1+1", "-2+3", "@SUM(A1)", "\t=1"]


@pytest.mark.parametrize("formula", FORMULAS)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_no_formula_of_a_hand_edited_table_reaches_a_spreadsheet(part, archive, tmp_path, formula, separator):
    quoted = '"' + formula.replace('"', '""') + '"'
    lines = [["kind", "where", "note"], ["void", "PL-01-01", quoted]]
    (part / "findings.csv").write_text("".join(separator.join(cells) + "\n" for cells in lines))
    export_bag(add_inspection(part, archive).bag, tmp_path / "out", "csv")
    text = (tmp_path / "out/findings.csv").read_text()
    assert text.startswith("kind,where,note\nvoid,PL-01-01,")
    assert text.split("PL-01-01,")[1].lstrip('"').startswith("'")


def test_a_note_of_any_length_is_exported(part, archive, tmp_path):
    note = "long " * 40_000
    (part / "findings.csv").write_text(f"kind,where,note\nvoid,PL-01-01,{note}\n")
    bag = add_inspection(part, archive).bag
    export_bag(bag, tmp_path / "out", "csv")
    assert note in (tmp_path / "out/findings.csv").read_text()
    export_bag(bag, tmp_path / "json", "json")
    assert json.loads((tmp_path / "json/inspection.json").read_text())["findings"][0]["note"] == note


@pytest.mark.parametrize(
    ("paths", "what"),
    [
        (["photos/CON"], "Windows keeps for itself"),
        (["photos/aux.jpg"], "Windows keeps for itself"),
        (["com1/a.jpg"], "Windows keeps for itself"),
        (["photos/a."], "ends with a dot or a blank"),
        (["photos/a /b.jpg"], "ends with a dot or a blank"),
        (["photos/x:y"], "a sign that Windows does not allow"),
        (["photos/what?.jpg"], "a sign that Windows does not allow"),
        (["photos/a.jpg", "photos/A.JPG"], "has the same name as photos/A.JPG on Windows and macOS"),
        (["photos/caf\u00e9.jpg", "photos/cafe\u0301.jpg"], "has the same name as photos/cafe"),
        (["photos/console.jpg", "taps/BM-01-01.wav", "notes.txt"], None),
    ],
)
def test_names_that_cannot_be_restored_everywhere_are_reported(paths, what):
    reported = unportable(paths)
    assert len(reported) == (what is not None)
    assert what is None or what in reported[0]


def test_add_says_what_will_not_restore_everywhere(small, archive):
    folder = small()
    (folder / "photos").mkdir()
    (folder / "photos/x:y").write_bytes(b"x")
    assert any(
        "photos/x:y: has a name with a sign that" in one for one in add_inspection(folder, archive).warnings
    )


@pytest.mark.parametrize("value", ["nan", "inf", "-1", "1e400"])
def test_sizes_to_find_are_sizes(run, small, value):  # noqa: F811
    run("add", small())
    result = run("find", "--area-over", value)
    assert result.exit_code == 2
    assert result.stdout == ""


def test_a_path_is_named_once_when_a_bag_cannot_be_computed(run, small, archive):  # noqa: F811
    bag = add_inspection(small(), archive).bag
    (bag.folder / "bagit.txt").write_bytes(b"")
    result = run("rerun", "clamp")
    assert "clamp@1/clamp@1" not in result.stderr
    assert "clamp@1/bagit.txt" in result.stderr


@pytest.mark.skipif(
    os.name == "nt" or os.geteuid() != 0, reason="only the superuser can become somebody else"
)
def test_what_may_not_be_read_is_reported_as_that(run, small, archive, tmp_path):  # noqa: F811
    """As another user, since the superuser may read everything."""
    for name in ("first", "second", "third"):
        run("add", small(name))
    run("copy", tmp_path / "warm-up")  # what is imported late is imported now
    for path in (archive, *tmp_path.parents):
        path.chmod(0o755)
    tmp_path.chmod(0o777)
    (archive / "first@1/data").chmod(0)
    (archive / "second@1").chmod(0)
    (archive / CATALOGUE).unlink()
    os.seteuid(65534)
    try:
        listed, checked, copied = run("list"), run("check"), run("copy", tmp_path / "stick")
    finally:
        os.seteuid(0)
        for name in ("first@1/data", "second@1"):
            (archive / name).chmod(0o755)
    assert listed.exit_code == 0
    assert "third@1" in listed.stdout
    assert "tapscan: second@1: cannot be read: Permission denied" in listed.stderr
    assert "first@1: damaged\n  data: cannot be looked into: Permission denied\n" in checked.stdout
    assert "second@1: damaged\n" in checked.stdout
    assert checked.stdout.count("Permission denied") == 2
    assert "is missing" not in checked.stdout
    assert "third@1: as it was archived" in checked.stdout
    assert "1 bags, each as it was archived; 1 of them are new" in copied.stdout
    assert "cannot be read: Permission denied" in copied.stderr
    assert "cannot be written" not in copied.stderr
