import hashlib
import os
import shutil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.archive.bags.checking import check_bag, read_seal
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.manifests import manifest_text, parse_manifest, parse_tags, tags_text, unsafe
from tapscan.errors import TapscanError

ONE, TWO = "data/taps/CL-01-01.wav", "data/taps/CL-02-01.wav"


@pytest.fixture
def root(small, archive):
    return add_inspection(small(), archive).bag.folder


def reported(root):
    return [(fault.path, fault.kind, fault.what) for fault in check_bag(root)]


def test_every_flipped_bit_of_every_file_is_found(root):
    for path in [path for path in root.rglob("*") if path.is_file()]:
        inner = path.relative_to(root).as_posix()
        content = path.read_bytes()
        for at in {0, len(content) // 2, len(content) - 1}:
            path.write_bytes(content[:at] + bytes([content[at] ^ 4]) + content[at + 1 :])
            faults = check_bag(root)
            assert faults, f"byte {at} of {inner} was flipped unseen"
            named = {fault.path for fault in faults}
            # A flip in a tag manifest shows as the tag file that no longer fits; in a name, as that name.
            assert inner in named or inner.startswith("tagmanifest"), (inner, at, faults)
            assert inner.startswith("tagmanifest") or not any(
                one.startswith("data/") for one in named - {inner}
            )
        path.write_bytes(content)
    assert check_bag(root) == ()


def test_changed_missing_extra_and_renamed_are_each_named(root):
    (root / ONE).write_bytes(b"flipped")
    assert reported(root) == [(ONE, "changed", "was changed")]
    (root / ONE).write_bytes(bytes([1]) * 100)
    (root / TWO).rename(root / "data/taps/x.wav")
    assert reported(root) == [(TWO, "renamed", "was renamed: it is now data/taps/x.wav")]
    (root / "data/taps/x.wav").unlink()
    assert reported(root) == [(TWO, "missing", "is missing")]
    (root / TWO).write_bytes(bytes([2]) * 100)
    (root / "data/new.txt").touch()
    (root / "data/copy.wav").write_bytes(bytes([2]) * 100)
    (root / "loose.txt").touch()
    assert reported(root) == [
        ("data/copy.wav", "extra", f"is not part of the bag, a copy of {TWO}"),
        ("data/new.txt", "extra", "is not part of the bag"),
        ("loose.txt", "extra", "is not part of the bag"),
    ]


def test_two_files_that_changed_places_are_reported_apart(root):
    (root / ONE).rename(root / "data/hold")
    (root / TWO).rename(root / ONE)
    (root / "data/hold").rename(root / TWO)
    assert reported(root) == [
        (ONE, "changed", f"was changed: it holds what {TWO} held"),
        (TWO, "changed", f"was changed: it holds what {ONE} held"),
    ]


def test_a_link_is_never_taken_for_the_file(root, tmp_path):
    (root / ONE).rename(tmp_path / "same.wav")
    (root / ONE).symlink_to(tmp_path / "same.wav")
    assert reported(root) == [(ONE, "link", "is a link, which no bag holds"), (ONE, "missing", "is missing")]


def test_the_bags_own_files(root):
    (root / "settings.json").unlink()
    assert reported(root) == [("settings.json", "missing", "is missing")]
    (root / "tagmanifest-sha256.txt").unlink()
    assert ("tagmanifest-sha256.txt", "missing", "is missing") in reported(root)


@pytest.mark.parametrize(
    ("name", "content", "what"),
    [
        ("bagit.txt", None, "is missing"),
        ("bagit.txt", b"hello", "does not say that this is a bag"),
        ("manifest-sha256.txt", b"zz  data/a\n", "line 1 is no checksum and path"),
        ("manifest-sha256.txt", b"ab  data/a\nab  data/a\n", "line 2 names data/a a second time"),
        ("manifest-sha256.txt", b"ab  data/a\n", "its manifests disagree about data/a"),
        ("manifest-sha512.txt", b"\xff\xfe\x00", "is not UTF-8 text"),
        ("bag-info.txt", b"Payload-Oxum: 12.99\n", r"claims 12.99 \(bytes.files\), and the manifests name 4"),
        ("bag-info.txt", b"Payload-Oxum: 1" + b"0" * 9999 + b".4\n", "claims 10000"),
    ],
)
def test_a_damaged_frame_is_one_sentence(root, name, content, what):
    (root / name).unlink()
    if content is not None:
        (root / name).write_bytes(content)
    with pytest.raises(TapscanError, match=what):
        read_seal(root)
    assert name in {fault.path for fault in check_bag(root)}


def test_without_any_manifest(root):
    for algorithm in ("sha256", "sha512"):
        (root / f"manifest-{algorithm}.txt").unlink()
    with pytest.raises(TapscanError, match=r"has neither manifest-sha256.txt nor manifest-sha512.txt"):
        read_seal(root)


def test_a_manifest_too_large_to_be_true_is_not_read(root):
    with (root / "manifest-sha256.txt").open("r+b") as stream:
        stream.truncate(10**12)  # claims a terabyte and takes no room
    assert any("1,000,000,000,000 bytes, too large to be true" in fault.what for fault in check_bag(root))


def test_a_path_that_leaves_the_folder_is_named(root):
    digest = {a: hashlib.new(a, b"x").hexdigest() for a in ("sha256", "sha512")}
    (root.parent / "outside").write_bytes(b"x")
    for algorithm, value in digest.items():
        with (root / f"manifest-{algorithm}.txt").open("a") as stream:
            stream.write(f"{value}  data/../../outside\n")
    (root / "bag-info.txt").write_text("")
    assert ("data/../../outside", "unsafe", "its path leaves the folder") in reported(root)


PATHS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=30)


@given(st.dictionaries(PATHS.filter(lambda p: p.strip() == p), st.binary(max_size=8), max_size=6))
def test_a_manifest_reads_back_as_it_was_written(files):
    digests = {f"data/{path}": hashlib.sha256(content).hexdigest() for path, content in files.items()}
    assert parse_manifest(manifest_text(digests), "m") == digests


@given(st.text(max_size=200))
def test_any_text_is_a_manifest_or_one_sentence(text):
    try:
        parse_manifest(text, "m")
    except TapscanError as error:
        reported = str(error)
    else:
        reported = "m: line "
    assert reported.startswith("m: line ")


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=80))
def test_a_description_reads_back_as_one_line(value):
    folded = " ".join(value.split())
    read = parse_tags(tags_text([("Part-Name", value)]))
    assert read == ({"Part-Name": folded} if folded else {})


@given(st.text("ab./\\:\0", max_size=12))
def test_no_path_taken_for_safe_leaves_the_folder(path):
    if unsafe(path) is None:
        inside = os.path.normpath(f"/bag/{path}")
        assert inside == "/bag/" + path


def test_long_values_may_be_folded():
    assert parse_tags("A: one\n  two\nB:three\n") == {"A": "one two", "B": "three"}


def test_a_whole_copy_is_as_good(root, tmp_path):
    shutil.copytree(root, tmp_path / "copy@1")
    assert check_bag(tmp_path / "copy@1") == ()
