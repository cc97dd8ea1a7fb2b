import json
import os
import subprocess
import sys
import time
from pathlib import Path

import bagit
import pytest

from tapscan.archive.bags import making as bags
from tapscan.archive.bags.checking import check_bag
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.manifests import parse_tags
from tapscan.archive.places import archive_folder, bag_name, find_bag, list_bags, newest
from tapscan.errors import TapscanError


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def test_a_bag_holds_the_whole_inspection_and_another_program_finds_it_valid(part, bag):
    assert contents(bag.inspection) == contents(part)
    assert check_bag(bag.folder) == ()
    judge = bagit.Bag(str(bag.folder))
    assert judge.validate(processes=1)
    assert sorted(judge.algorithms) == ["sha256", "sha512"]
    assert judge.info["External-Identifier"] == "seat-stay@1"
    assert judge.info["Part-Serial"] == "SYNTHETIC-07"


def test_the_version_and_the_exact_settings_are_in_the_bag(bag):
    reported = json.loads((bag.folder / "settings.json").read_text())
    assert reported["tapscan"] == "0.1.0"
    assert reported["libraries"]["numpy"]
    assert reported["settings"]["false_call_rate"] == 0.01
    assert reported["settings"]["zones"][0]["laminate"]["thickness_mm"] == 1.6
    summary = json.loads((bag.inspection / "results/summary.json").read_text())
    assert reported["inputs"] == summary["inputs"]


def test_adding_again_makes_a_new_version_and_leaves_the_old_one_alone(small, archive):
    folder = small()
    first = add_inspection(folder, archive).bag
    before = contents(first.folder)
    (folder / "taps/CL-01-01.wav").write_bytes(b"again")
    second = add_inspection(folder, archive).bag
    assert (first.label, second.label) == ("clamp@1", "clamp@2")
    assert contents(first.folder) == before
    assert find_bag(archive, "clamp") == second
    assert find_bag(archive, "clamp@1") == first
    assert newest(list_bags(archive)) == [second]
    assert [path.name for path in archive.iterdir() if path.name.startswith(".")] == []


def test_a_version_that_somebody_else_took_meanwhile_is_passed_over(small, archive, monkeypatch):
    folder = small()
    taken = add_inspection(folder, archive).bag
    before = contents(taken.folder)
    monkeypatch.setattr(bags, "list_bags", lambda _archive: [])
    added = add_inspection(folder, archive).bag
    assert added.label == "clamp@2"
    assert parse_tags((added.folder / "bag-info.txt").read_text())["External-Identifier"] == "clamp@2"
    assert check_bag(added.folder) == ()
    assert contents(taken.folder) == before


def test_two_processes_adding_at_once_get_a_version_each(small, archive):
    folder = small()
    code = "import sys; from pathlib import Path; from tapscan.archive.bags.making import add_inspection\n"
    code += "for _ in range(10): add_inspection(Path(sys.argv[1]), Path(sys.argv[2]))"
    running = [
        subprocess.Popen([sys.executable, "-c", code, folder, archive], stderr=subprocess.PIPE)
        for _ in range(2)
    ]
    for process in running:
        assert process.communicate(timeout=60)[1] == b""
    assert [bag.version for bag in list_bags(archive)] == list(range(1, 21))
    for bag in list_bags(archive):
        assert check_bag(bag.folder) == ()


def test_another_part_does_not_become_a_version_of_the_first(small, archive):
    add_inspection(small(serial="A-1"), archive)
    other = small(name="other", serial="B-2")
    message = r"^clamp: the archive has another part under that name \(serial 'A-1', not 'B-2'\) \(give this"
    with pytest.raises(TapscanError, match=message):
        add_inspection(other, archive, name="clamp")
    assert add_inspection(other, archive).bag.label == "other@1"


def test_results_that_belong_to_other_inputs_are_reported(part, archive):
    (part / "taps/BM-01-01.wav").unlink()
    (warning,) = add_inspection(part, archive).warnings
    what = "results: belong to other inputs than those that are there now"
    assert warning == f"{what} (run: tapscan analyse {part})"


def test_never_analysed_is_reported(small, archive):
    (warning,) = add_inspection(small(), archive).warnings
    assert warning.startswith("results: the inspection was never analysed; it is archived without (run:")


def test_links_out_of_the_inspection_stay_out_and_are_reported(small, archive, tmp_path):
    folder = small()
    (tmp_path / "secret.txt").write_text("not yours")
    (folder / "photo.jpg").symlink_to(tmp_path / "secret.txt")
    (folder / "elsewhere").symlink_to(tmp_path)
    (folder / "again").symlink_to(folder / "taps")
    (folder / "twin.wav").symlink_to(folder / "taps/CL-01-01.wav")
    os.mkfifo(folder / "pipe")
    added = add_inspection(folder, archive)
    reported = [warning.partition(" (")[0] for warning in added.warnings]
    assert "photo.jpg: is a link out of the inspection and was not archived" in reported
    assert "elsewhere: is a link out of the inspection and was not archived" in reported
    assert "pipe: is not a regular file and was not archived" in reported
    held = contents(added.bag.inspection)
    assert held["twin.wav"] == held["taps/CL-01-01.wav"]
    assert not any(b"not yours" in content for content in held.values())
    assert check_bag(added.bag.folder) == ()


def test_links_within_the_inspection_are_archived_by_every_name_and_never_round(small, archive):
    """A restored inspection finds its taps by the name it looks for, whichever of the two is the link."""
    folder = small("link")
    (folder / "taps").rename(folder / "strikes")
    (folder / "taps").symlink_to(folder / "strikes")
    (folder / "loop").symlink_to(folder / "loop")
    (folder / "strikes" / "up").symlink_to(folder)
    added = add_inspection(folder, archive)
    kept = contents(added.bag.inspection)
    assert kept["taps/CL-01-01.wav"] == kept["strikes/CL-01-01.wav"]
    assert not any(name.startswith("loop") or "/up" in name for name in kept)
    reported = [warning.partition(" (")[0] for warning in added.warnings]
    for name in ("loop", "taps/up", "strikes/up"):
        assert f"{name}: is a link that leads back to itself and was not archived" in reported


def test_unfinished_files_are_not_archived_and_odd_names_are(small, archive):
    folder = small()
    (folder / "taps/.CL-02-01.wav.abc.part").write_bytes(b"half")
    for name in ("100% sure.jpg", "größe.txt", "two\nlines.txt", " blank ", ".hidden", "%0A.txt"):
        (folder / name).write_bytes(name.encode())
    bag = add_inspection(folder, archive).bag
    held = contents(bag.inspection)
    assert {"100% sure.jpg", "größe.txt", "two\nlines.txt", " blank ", ".hidden", "%0A.txt"} <= set(held)
    assert not any(name.endswith(".part") for name in held)
    assert check_bag(bag.folder) == ()


def test_a_name_that_other_systems_cannot_open_is_refused_before_anything_is_written(small, archive):
    folder = small()
    (folder / "a\\b.txt").touch()
    message = r"^a\\b.txt: its name holds a backslash, which .* could not open it \(rename it\)$"
    with pytest.raises(TapscanError, match=message):
        add_inspection(folder, archive)
    assert not archive.exists()
    (folder / "a\\b.txt").rename(os.fsdecode(os.fsencode(folder) + b"/\xff.txt"))
    with pytest.raises(TapscanError, match=r"its name is not in UTF-8, so that"):
        add_inspection(folder, archive)


def test_an_archive_inside_the_inspection_would_swallow_itself(small):
    folder = small()
    with pytest.raises(
        TapscanError, match=r"is inside the inspection \(name another folder with --archive\)"
    ):
        add_inspection(folder, folder / "archive")


def test_a_full_disk_is_one_sentence_and_leaves_nothing(small, archive, monkeypatch):
    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(TapscanError, match=r"cannot be written: No space left on device \(make room"):
        add_inspection(small(), archive)
    assert list(archive.iterdir()) == []


def test_killed_at_any_moment_there_is_a_whole_bag_or_none(small, archive):
    folder = small()
    (folder / "photo.jpg").write_bytes(os.urandom(3_000_000))
    code = "import sys; from pathlib import Path; from tapscan.archive.bags.making import add_inspection\n"
    code += "print('go', flush=True)\nwhile True: add_inspection(Path(sys.argv[1]), Path(sys.argv[2]))"
    for milliseconds in (1, 9, 17, 30, 44, 61):
        process = subprocess.Popen([sys.executable, "-c", code, folder, archive], stdout=subprocess.PIPE)
        process.stdout.readline()
        time.sleep(milliseconds / 1000)
        process.kill()
        process.wait()
        process.stdout.close()
    for bag in list_bags(archive):
        assert check_bag(bag.folder) == (), bag
    assert add_inspection(folder, archive).bag.version == len(list_bags(archive))


def test_what_a_killed_program_left_goes_after_a_day(small, archive):
    folder = small()
    for name, age_s in ((".clamp.old.part", 90_000), (".clamp.new.part", 60)):
        (archive / name / "data").mkdir(parents=True)
        os.utime(archive / name, (time.time() - age_s,) * 2)
    add_inspection(folder, archive)
    assert sorted(path.name for path in archive.iterdir()) == [".clamp.new.part", "clamp@1"]


def test_where_the_archive_is(monkeypatch, tmp_path):
    monkeypatch.delenv("TAPSCAN_ARCHIVE", raising=False)
    assert archive_folder() == Path.home() / "tapscan-archive"
    monkeypatch.setenv("TAPSCAN_ARCHIVE", str(tmp_path))
    assert archive_folder() == tmp_path
    assert archive_folder(tmp_path / "chosen") == tmp_path / "chosen"


def test_names_of_bags():
    assert bag_name("Größe 2") == "Größe-2"
    assert bag_name("a@2") == "a-2"
    with pytest.raises(TapscanError, match=r"'\.\.': gives no name for a bag \(name it with --name\)"):
        bag_name("..")


def test_a_bag_that_is_not_there(small, archive):
    with pytest.raises(TapscanError, match=r"holds no bag \(add one: tapscan archive add DIR\)"):
        find_bag(archive, "clamp")
    add_inspection(small(), archive)
    with pytest.raises(TapscanError, match=r"^clmap: is not in the archive \(did you mean clamp\?\)$"):
        find_bag(archive, "clmap")
    with pytest.raises(TapscanError, match=r"^clamp@3: is not in the archive \(there is clamp@1\)$"):
        find_bag(archive, "clamp@3")
    (archive / "not-an-archive").touch()
    with pytest.raises(TapscanError, match="cannot be looked into: Not a directory"):
        list_bags(archive / "not-an-archive")
