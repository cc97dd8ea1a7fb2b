import hashlib
import os
import shutil
from contextlib import suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapscan.archive.bags import restoring
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.manifests import manifest_text
from tapscan.archive.bags.restoring import restore_bag
from tapscan.errors import TapscanError
from tests.archive.test_bags import contents

ONE = "data/taps/CL-01-01.wav"


@pytest.fixture
def root(small, archive):
    return add_inspection(small(), archive).bag.folder


def forge(root, files, oxum=None):
    """Make a bag that claims these files, with checksums that fit."""
    for algorithm in ("sha256", "sha512"):
        sums = {path: hashlib.new(algorithm, content).hexdigest() for path, content in files.items()}
        (root / f"manifest-{algorithm}.txt").write_text(manifest_text(sums))
    size = sum(map(len, files.values()))
    (root / "bag-info.txt").write_text(f"Payload-Oxum: {oxum or f'{size}.{len(files)}'}\n")


def test_what_comes_out_is_what_went_in(part, bag, tmp_path):
    seen = []
    out = restore_bag(bag.folder, tmp_path / "back", progress=lambda done, total: seen.append((done, total)))
    assert contents(tmp_path / "back") == contents(part)
    assert (out.files, out.left_out) == (len(contents(part)), ())
    assert seen[-1][0] == seen[-1][1] == sum(map(len, contents(part).values()))


def test_nothing_is_overwritten(root, tmp_path):
    target = tmp_path / "back"
    target.mkdir()
    restore_bag(root, target)  # an empty folder is as good as none
    with pytest.raises(
        TapscanError, match=r"is not empty, nothing was written \(name a new or empty folder\)"
    ):
        restore_bag(root, target)
    (tmp_path / "file").touch()
    with pytest.raises(TapscanError, match="is a file or a link"):
        restore_bag(root, tmp_path / "file")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    with pytest.raises(TapscanError, match="is a file or a link"):
        restore_bag(root, tmp_path / "link")


def test_a_damaged_bag_gives_all_or_nothing_unless_asked(root, tmp_path):
    (root / ONE).write_bytes(bytes([9]) * 100)
    (root / "data/taps/CL-03-01.wav").unlink()
    with pytest.raises(TapscanError, match=r"^data/taps/CL-03-01.wav: is missing from the bag \(check it"):
        restore_bag(root, tmp_path / "back")
    assert not (tmp_path / "back").exists()
    out = restore_bag(root, tmp_path / "back", intact_only=True)
    assert sorted(contents(out.folder)) == ["inspection.toml", "taps/CL-02-01.wav"]
    assert out.files == 2
    assert out.left_out == (
        "data/taps/CL-03-01.wav: is missing from the bag (it was left out)",
        "data/taps/CL-01-01.wav: was changed since it was archived (it was left out)",
    )
    assert [path for path in tmp_path.iterdir() if path.name.endswith(".part")] == []


@pytest.mark.parametrize(
    ("path", "what"),
    [
        ("data/../../evil", "leaves the folder"),
        ("/etc/evil", "begins at the disk's root"),
        ("C:/evil", "begins at the disk's root"),
        ("data/a\\..\\evil", "holds a backslash"),
        ("data//evil", "has an empty step"),
        ("data/./evil", "has an empty step"),
        ("evil", "is not inside data/"),
        ("data", "is not inside data/"),
    ],
)
def test_a_path_that_leads_astray_ends_it(root, tmp_path, path, what):
    forge(root, {path: b"x"})
    with pytest.raises(TapscanError, match=rf"a path of the bag {what}.*nothing was restored"):
        restore_bag(root, tmp_path / "back", intact_only=True)
    assert not (tmp_path / "back").exists()


def test_links_are_refused_wherever_they_are(root, tmp_path):
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "key").write_bytes(b"x")
    (root / "data/key").symlink_to(secret / "key")
    (root / "data/dir").symlink_to(secret)
    for path in ("data/key", "data/dir/key"):
        forge(root, {path: b"x"})
        with pytest.raises(TapscanError, match=r"is a link, nothing was restored \(do not trust this bag\)"):
            restore_bag(root, tmp_path / "back", intact_only=True)
    os.mkfifo(root / "data/pipe")
    forge(root, {"data/pipe": b"x"})
    with pytest.raises(TapscanError, match=r"is not a regular file, nothing was restored"):
        restore_bag(root, tmp_path / "back", intact_only=True)
    assert not (tmp_path / "back").exists()


def test_a_bomb_is_refused_by_its_claim_and_by_its_real_size(root, tmp_path, monkeypatch):
    with (root / ONE).open("r+b") as stream:
        stream.truncate(2 * 10**12)  # two terabytes that take no room
    with pytest.raises(TapscanError, match=r"holds 2,000,000,\d+,\d+ bytes and claims"):
        restore_bag(root, tmp_path / "back", intact_only=True)
    claim = f"Payload-Oxum: {10**17}.4\n"
    (root / "bag-info.txt").write_text(claim)
    usage = shutil._ntuple_diskusage(10**12, 0, 10**12)
    monkeypatch.setattr(restoring.shutil, "disk_usage", lambda _path: usage)
    with pytest.raises(TapscanError, match=r"needs 2,000,.* bytes and .* has room for 1,000,000,000,000"):
        restore_bag(root, tmp_path / "back", intact_only=True)
    (root / "bag-info.txt").unlink()  # no claim at all: the room on disk still counts
    with pytest.raises(TapscanError, match="has room for"):
        restore_bag(root, tmp_path / "back", intact_only=True)


def test_a_file_that_grows_while_it_is_copied_does_not_fill_the_disk(root, tmp_path, monkeypatch):
    real = restoring.copy_hashed
    monkeypatch.setattr(restoring, "copy_hashed", lambda source, out, size: real(source, out, size - 1))
    with pytest.raises(TapscanError, match="grew while it was copied"):
        restore_bag(root, tmp_path / "back")
    assert not (tmp_path / "back").exists()


def test_a_file_where_another_needs_a_folder(root, tmp_path):
    forge(root, {ONE: (root / ONE).read_bytes(), f"{ONE}/inner": b"x"})
    with pytest.raises(TapscanError, match=r"inner: is missing from the bag"):
        restore_bag(root, tmp_path / "back")


STEPS = st.lists(st.sampled_from(["..", ".", "", "a", "data", "C:", "\\", "%2e%2e", "~", "x\n"]), max_size=5)


@given(STEPS, st.booleans())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_a_bag_claims_nothing_lands_outside(root, tmp_path, steps, is_payload):
    path = "/".join(["data", *steps] if is_payload else steps)
    if not path:
        return
    forge(root, {path: b"x"})
    before = sorted(tmp_path.rglob("*"))
    target = tmp_path / "deep" / "back"
    with suppress(TapscanError):
        restore_bag(root, target, intact_only=True)
    shutil.rmtree(tmp_path / "deep", ignore_errors=True)
    assert sorted(tmp_path.rglob("*")) == before
