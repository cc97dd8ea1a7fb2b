import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapscan.errors import TapscanError
from tapscan.synth.ascans import AScanScene, simulate_ascans
from tapscan.synth.folder import ascan_files, check_new, tap_files, wav_bytes, write_inspection
from tapscan.synth.taps import TapScene, simulate_taps
from tests.synth.zones import panel, tube


def test_wav_reads_back_to_the_step():
    samples = np.random.default_rng(1).uniform(-1, 1, 500)
    read, rate_hz = soundfile.read(io.BytesIO(wav_bytes(samples, 44_100.0)), dtype="float64")
    assert rate_hz == 44_100
    assert np.abs(read * 32768 / 32767 - samples).max() <= 0.5 / 32767 + 1e-12


def test_wav_is_clipped_like_a_recorder():
    read, _ = soundfile.read(io.BytesIO(wav_bytes(np.array([3.0, -3.0]), 8_000.0)), dtype="int16")
    assert read.tolist() == [32767, -32767]


def test_names_follow_the_plan():
    scene = TapScene(taps=1, sample_rate_hz=8_000)
    files = tap_files(tube(1, 3), simulate_taps(tube(1, 3), [], scene, 1))
    assert list(files) == ["taps/A-01-01.wav", "taps/A-01-02.wav", "taps/A-01-03.wav"]
    volume = simulate_ascans(panel(2, 3), [], AScanScene(), 1)
    ((name, content),) = ascan_files(panel(2, 3), volume).items()
    assert name == "ascans/A.npy"
    np.testing.assert_array_equal(np.load(io.BytesIO(content), allow_pickle=False), volume.samples)


def test_written_as_named(tmp_path):
    files = {"inspection.toml": b"plan", "taps/A-01-01.wav": b"sound"}
    write_inspection(tmp_path / "new" / "part", files)
    found = {str(p.relative_to(tmp_path / "new" / "part")): p.read_bytes() for p in tmp_path.rglob("*.*")}
    assert found == files


def test_an_empty_folder_is_taken_and_a_used_one_refused(tmp_path):
    check_new(tmp_path)
    (tmp_path / "notes.txt").touch()
    with pytest.raises(
        TapscanError, match=r"is not empty, nothing was written \(name a new or empty folder\)"
    ):
        write_inspection(tmp_path, {"inspection.toml": b""})
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_a_file_is_refused(tmp_path):
    (tmp_path / "part").touch()
    with pytest.raises(TapscanError, match=r"part: is a file \(name a new or empty folder\)"):
        check_new(tmp_path / "part")


def test_a_folder_below_a_file_is_reported_in_words(tmp_path):
    (tmp_path / "part").touch()
    with pytest.raises(TapscanError, match=r"deep: cannot be written: Not a directory"):
        write_inspection(tmp_path / "part" / "deep", {"inspection.toml": b""})


def test_a_folder_that_may_not_be_looked_into_is_reported_in_words(tmp_path, monkeypatch):
    def refuses(_folder):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", refuses)
    with pytest.raises(TapscanError, match=r"cannot be written: Permission denied \(free some space"):
        check_new(tmp_path)


def test_what_is_cut_short_holds_no_plan(tmp_path, monkeypatch):
    real = Path.write_bytes

    def fails_on_the_second(path, content):
        if path.name == "B.npy":
            raise OSError(28, "No space left on device")
        return real(path, content)

    monkeypatch.setattr(Path, "write_bytes", fails_on_the_second)
    files = {"inspection.toml": b"plan", "ascans/A.npy": b"1", "ascans/B.npy": b"2"}
    with pytest.raises(TapscanError, match=r"cannot be written: No space left on device \(free some space"):
        write_inspection(tmp_path / "part", files)
    assert not (tmp_path / "part" / "inspection.toml").exists()
