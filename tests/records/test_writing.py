import os
from pathlib import Path

import pytest

from tapscan.records import writing
from tapscan.records.writing import copy_new, write_bytes, write_new, write_text


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_file_is_replaced_whole_and_folders_are_made(tmp_path):
    path = tmp_path / "a" / "b" / "points.csv"
    write_text(path, "größe\n")
    write_text(path, "neu\r\n")
    assert path.read_bytes() == b"neu\r\n"
    assert names(path.parent) == ["points.csv"]


def test_when_writing_fails_the_old_file_stays_and_nothing_is_left_beside_it(tmp_path, monkeypatch):
    path = tmp_path / "points.csv"
    write_bytes(path, b"old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["points.csv"]


def test_a_new_file_never_replaces_one_that_is_there(tmp_path):
    path = tmp_path / "BM-01-01.wav"
    write_new(path, b"first")
    with pytest.raises(FileExistsError, match="BM-01-01"):
        write_new(path, b"second")
    assert path.read_bytes() == b"first"
    assert names(tmp_path) == ["BM-01-01.wav"]


def test_a_copy_never_replaces_one_that_is_there(tmp_path):
    source = tmp_path / "source.npy"
    source.write_bytes(b"x" * 3_000_000)
    copy_new(source, tmp_path / "BM.npy")
    assert (tmp_path / "BM.npy").read_bytes() == source.read_bytes()
    with pytest.raises(FileExistsError, match="BM"):
        copy_new(source, tmp_path / "BM.npy")
    assert names(tmp_path) == ["BM.npy", "source.npy"]


def test_where_there_are_no_hard_links(tmp_path, monkeypatch):
    def refused(_self: Path, _target: Path) -> None:
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(writing.Path, "hardlink_to", refused)
    path = tmp_path / "BM-01-01.wav"
    write_new(path, b"first")
    with pytest.raises(FileExistsError, match="BM-01-01"):
        write_new(path, b"second")
    assert path.read_bytes() == b"first"
    assert names(tmp_path) == ["BM-01-01.wav"]
