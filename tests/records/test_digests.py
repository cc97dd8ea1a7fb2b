import hashlib

from tapscan.records import open_inspection
from tapscan.records.digests import digests


def test_every_input_has_its_checksum_by_its_place_in_the_inspection(folder, tap_file, trace_file):
    files = [tap_file(folder / "taps" / "BM-1-2.wav"), trace_file(folder / "ascans" / "PL-01-01.csv")]
    (folder / "taps" / "notes.txt").write_text("x", encoding="utf-8")
    sums = digests(open_inspection(folder))
    assert list(sums) == ["ascans/PL-01-01.csv", "inspection.toml", "taps/BM-1-2.wav"]
    for path in (*files, folder / "inspection.toml"):
        assert sums[path.relative_to(folder).as_posix()] == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_file_that_has_gone_has_an_empty_checksum(folder, tap_file):
    path = tap_file(folder / "taps" / "BM-01-02.wav")
    inspection = open_inspection(folder)
    path.unlink()
    assert digests(inspection)["taps/BM-01-02.wav"] == ""
