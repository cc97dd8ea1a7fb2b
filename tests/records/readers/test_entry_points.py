from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapscan.errors import TapscanError
from tapscan.plan.text.reading import parse_plan
from tapscan.records.readers import (
    audio,
    open_volume,
    read_recording,
    read_trace,
    reader_for,
    trace_csv,
    volume,
)

PLAN = '[[zone]]\ncode = "BM"\nshape = "panel"\nstations = 2\npositions = 2\nstation_pitch_mm = 5.0\n'
ZONE = parse_plan(PLAN + "position_pitch_mm = 5.0\n").zones[0]
ENTRIES = {
    "BM-01-01.wav": read_recording,
    "BM-01-01.csv": read_trace,
    "BM.npy": lambda path: open_volume(path, ZONE),
}


@pytest.fixture
def good(tmp_path):
    soundfile.write(str(tmp_path / "BM-01-01.wav"), np.zeros(100), 8000)
    (tmp_path / "BM-01-01.csv").write_text("time_us,amplitude\n0,1\n1,2\n", encoding="utf-8")
    np.save(tmp_path / "BM.npy", np.zeros((2, 2, 8)))
    return tmp_path


@pytest.mark.parametrize("name", ENTRIES)
def test_each_kind_has_one_entry_point(good, name):
    ENTRIES[name](good / name)


@pytest.mark.parametrize("name", ENTRIES)
@pytest.mark.parametrize("content", ["missing", "empty", "folder", "noise"])
def test_each_says_what_is_wrong_with_the_file_itself(tmp_path, name, content):
    path = tmp_path / name
    if content == "empty":
        path.touch()
    elif content == "folder":
        path.mkdir()
    elif content == "noise":
        path.write_bytes(b"\0\x01\x02" * 50)
    reported = {
        "missing": r"does not exist \(check the name\)",
        "empty": r"is empty \(0 bytes\) \(record or export it again\)",
        "folder": r"is not a file \(name a file",
        "noise": "no reader of a (recording|trace|volume) takes it",
    }
    with pytest.raises(TapscanError, match=reported[content]):
        ENTRIES[name](path)


@pytest.mark.parametrize("name", ENTRIES)
def test_a_file_that_may_not_be_read(good, name, monkeypatch):
    opened = Path.open

    def refused(self, *words, **more):
        if self.name == name:
            raise PermissionError(13, "Permission denied")
        return opened(self, *words, **more)

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(TapscanError, match=r"cannot be read: Permission denied \(check its permissions\)"):
        ENTRIES[name](good / name)


@pytest.mark.parametrize(
    ("name", "reader"), [("BM-01-01.wav", audio), ("BM-01-01.csv", trace_csv), ("BM.npy", volume)]
)
def test_a_file_that_vanishes_while_it_is_read(good, name, reader, monkeypatch):
    def gone(*_):
        raise FileNotFoundError(2, "No such file or directory")

    monkeypatch.setattr(reader, "read", gone)
    with pytest.raises(TapscanError, match="cannot be read: No such file or directory"):
        ENTRIES[name](good / name)


def test_the_content_decides_and_not_the_name(good):
    path = good / "BM-01-01.csv"
    path.write_bytes((good / "BM-01-01.wav").read_bytes())
    assert reader_for("recording", path) is audio
    with pytest.raises(
        TapscanError, match=r"holds bytes that no text has\); it looks like a WAV/FLAC recording"
    ):
        read_trace(path)
