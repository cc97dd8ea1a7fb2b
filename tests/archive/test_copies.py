"""Second copies on another disk, and a damaged bag brought back from one."""

import errno
import hashlib
import os
import shutil

import pytest

from tapscan.archive.bags import copies
from tapscan.archive.bags.checking import check_bag
from tapscan.archive.bags.copies import bring_back, copy_archive
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.places import list_bags
from tapscan.errors import TapscanError
from tests.archive.test_commands import document, run  # noqa: F401 - a fixture


@pytest.fixture
def filled(small, archive):
    """An archive of three bags."""
    for name in ("clamp", "strut", "strut"):
        folder = archive.parent / name
        add_inspection(folder if folder.exists() else small(name), archive)
    return archive


def state(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def spoil(archive, bag="clamp@1", name="data/taps/CL-02-01.wav"):
    (archive / bag / name).write_bytes(b"spoiled")


def test_a_copy_has_every_bag_to_the_byte_and_a_second_run_changes_nothing(filled, tmp_path):
    copied = copy_archive(filled, tmp_path / "stick")
    assert [bag.label for bag in copied.new] == ["clamp@1", "strut@1", "strut@2"]
    assert copied.faults == copied.same == ()
    bags = {name: digest for name, digest in state(filled).items() if "@" in name}
    assert state(tmp_path / "stick") == bags
    before = state(tmp_path / "stick")
    again = copy_archive(filled, tmp_path / "stick")
    assert (len(again.new), len(again.same)) == (0, 3)
    assert state(tmp_path / "stick") == before


def test_only_what_is_new_is_copied(filled, tmp_path, small):
    copy_archive(filled, tmp_path / "stick")
    add_inspection(small("wing"), filled)
    assert [bag.label for bag in copy_archive(filled, tmp_path / "stick").new] == ["wing@1"]


def test_damage_is_not_copied_and_the_rest_goes_on(filled, tmp_path):
    spoil(filled)
    copied = copy_archive(filled, tmp_path / "stick")
    assert [bag.label for bag in copied.new] == ["strut@1", "strut@2"]
    (fault,) = copied.faults
    assert fault.startswith(
        "clamp@1: is damaged and was not copied: data/taps/CL-02-01.wav was changed (run:"
    )
    assert [path.name for path in (tmp_path / "stick").iterdir() if "clamp" in path.name] == []


def test_a_copy_that_was_damaged_is_named_and_left_alone(filled, tmp_path):
    copy_archive(filled, tmp_path / "stick")
    spoil(tmp_path / "stick")
    before = state(tmp_path / "stick")
    (fault,) = copy_archive(filled, tmp_path / "stick").faults
    assert fault.startswith(
        "clamp@1: its copy is damaged: data/taps/CL-02-01.wav was changed (run: tapscan arch"
    )
    assert state(tmp_path / "stick") == before


def test_another_bag_of_the_same_name_is_never_overwritten(filled, tmp_path, small):
    add_inspection(small("other", part="Other"), tmp_path / "stick", name="clamp")
    before = state(tmp_path / "stick/clamp@1")
    (fault,) = copy_archive(filled, tmp_path / "stick").faults
    assert fault.startswith(f"clamp@1: {tmp_path / 'stick'} has another bag of that name")
    assert state(tmp_path / "stick/clamp@1") == before


@pytest.mark.parametrize("inside", [".", "copy", ".."])
def test_no_copy_into_itself(filled, inside):
    with pytest.raises(TapscanError, match="is the archive itself, or inside it"):
        copy_archive(filled, filled / inside)


def test_nothing_to_copy(archive, tmp_path):
    with pytest.raises(TapscanError, match="holds no bag"):
        copy_archive(archive, tmp_path / "stick")


def test_a_full_disk_leaves_no_half_bag(filled, tmp_path, monkeypatch):
    real, left = copies.copy_hashed, [7]

    def fill(source, target, most_bytes):
        left[0] -= 1
        if left[0] < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(target))
        return real(source, target, most_bytes)

    monkeypatch.setattr(copies, "copy_hashed", fill)
    copied = copy_archive(filled, tmp_path / "stick")
    assert len(copied.new) + len(copied.faults) == 3
    assert "cannot be written: No space left on device (make room, or name another disk)" in copied.faults[-1]
    for bag in list_bags(tmp_path / "stick"):
        assert check_bag(bag.folder) == ()
    assert not [path for path in (tmp_path / "stick").iterdir() if path.name.startswith(".")]


@pytest.mark.parametrize("can_exchange", [True, False])
def test_a_damaged_bag_comes_back_and_the_damaged_one_is_kept(filled, tmp_path, monkeypatch, can_exchange):
    copy_archive(filled, tmp_path / "stick")
    whole = state(filled / "clamp@1")
    spoil(filled)
    spoiled = state(filled / "clamp@1")
    if not can_exchange:
        monkeypatch.setattr(copies, "exchanged", lambda *_: False)
    kept = bring_back(list_bags(filled)[0], tmp_path / "stick")
    assert kept.name == "clamp@1.damaged"
    assert state(filled / "clamp@1") == whole
    assert state(kept) == spoiled
    assert [bag.label for bag in list_bags(filled)] == ["clamp@1", "strut@1", "strut@2"]
    spoil(filled)
    assert bring_back(list_bags(filled)[0], tmp_path / "stick").name == "clamp@1.damaged-2"


def test_what_cannot_be_brought_back(filled, tmp_path, small):
    bag = list_bags(filled)[0]
    with pytest.raises(TapscanError, match=r"^clamp@1: is not in .*stick \(look for another copy\)"):
        bring_back(bag, tmp_path / "stick")
    copy_archive(filled, tmp_path / "stick")
    spoil(tmp_path / "stick")
    with pytest.raises(
        TapscanError, match=r"its copy in .*stick is damaged, too: data/taps/CL-02-01.wav was"
    ):
        bring_back(bag, tmp_path / "stick")
    shutil.rmtree(tmp_path / "stick")
    add_inspection(small("other", part="Other"), tmp_path / "stick", name="clamp")
    with pytest.raises(TapscanError, match=r"the bag of that name in .*stick is another one"):
        bring_back(bag, tmp_path / "stick")


@pytest.mark.parametrize("lost", copies._SEALS)
def test_a_bag_whose_own_lists_are_damaged_comes_back(filled, tmp_path, lost):
    copy_archive(filled, tmp_path / "stick")
    whole = state(filled / "clamp@1")
    spoil(filled, name=lost)
    bring_back(list_bags(filled)[0], tmp_path / "stick")
    assert state(filled / "clamp@1") == whole


def test_the_commands(run, filled, tmp_path):  # noqa: F811
    result = run("copy", tmp_path / "stick")
    assert result.exit_code == 0
    assert result.stdout == f"{tmp_path / 'stick'}: 3 bags, each as it was archived; 3 of them are new\n"
    assert document(run("copy", tmp_path / "stick", "--json"))["same"] == ["clamp@1", "strut@1", "strut@2"]
    spoil(filled)
    before = state(filled)
    result = run("check")
    assert result.exit_code == 1
    assert "bring them back from a copy with --from" in result.stderr
    assert state(filled) == before  # a check repairs nothing
    result = run("check", "--from", tmp_path / "stick")
    assert result.exit_code == 0
    assert "brought back from" in result.stdout
    assert "clamp@1.damaged" in result.stdout
    assert run("check").exit_code == 0
    spoil(filled, "strut@1")
    spoil(tmp_path / "stick", "strut@1")
    result = run("check", "--from", tmp_path / "stick")
    assert result.exit_code == 1
    assert "is damaged, too" in result.stderr
    result = run("copy", tmp_path / "stick")
    assert result.exit_code == 1
    assert "1 bags have no healthy copy there (do what is said above, then run this again)" in result.stderr
