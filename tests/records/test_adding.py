import shutil

import numpy as np
import pytest
import soundfile

from tapscan.errors import TapscanError
from tapscan.plan import Point
from tapscan.records import open_inspection
from tapscan.records.taking.adding import add_files


@pytest.fixture
def recorder(tmp_path):
    path = tmp_path / "recorder"
    path.mkdir()
    return path


def add(folder, *paths):
    return add_files(open_inspection(folder), paths)


def test_recordings_are_copied_byte_for_byte_under_the_name_of_their_point(folder, recorder, tap_file):
    sources = [tap_file(recorder / name) for name in ("bm-1-3.WAV", "PL-02-03.flac")]
    added = add(folder, *sources)
    assert added.written == (
        ("recorder/bm-1-3.WAV", "taps/BM-01-03.wav"),
        ("recorder/PL-02-03.flac", "taps/PL-02-03.flac"),
    )
    assert (added.unchanged, added.refused) == ((), ())
    assert (folder / "taps" / "BM-01-03.wav").read_bytes() == sources[0].read_bytes()
    inspection = open_inspection(folder)
    assert list(inspection.tap_files) == [Point("BM", 1, 3), Point("PL", 2, 3)]
    assert inspection.warnings == ()


def test_a_further_recording_gets_the_next_number_and_the_same_one_is_left_alone(folder, recorder, tap_file):
    (folder / "taps" / "BM-1-3_4.flac").write_bytes(tap_file(recorder / "x.flac", 1000).read_bytes())
    first = tap_file(recorder / "BM-01-03.wav", 2000)
    assert add(folder, first).written == (("recorder/BM-01-03.wav", "taps/BM-01-03_5.wav"),)
    again = add(folder, first)
    assert again.written == ()
    assert again.unchanged == (("recorder/BM-01-03.wav", "taps/BM-01-03_5.wav"),)
    tap_file(first, 2500)
    assert add(folder, first).written == (("recorder/BM-01-03.wav", "taps/BM-01-03_6.wav"),)
    assert len(open_inspection(folder).tap_files[Point("BM", 1, 3)]) == 3


def test_two_files_for_one_point_in_one_go(folder, recorder, tap_file):
    paths = tap_file(recorder / "BM-1-3.wav", 2000), tap_file(recorder / "BM-01-03.wav", 2500)
    assert [target for _, target in add(folder, *paths).written] == [
        "taps/BM-01-03.wav",
        "taps/BM-01-03_2.wav",
    ]


def test_a_file_of_the_inspection_itself_changes_nothing(folder, tap_file):
    path = tap_file(folder / "taps" / "BM-01-03.wav")
    assert add(folder, path).unchanged == (("taps/BM-01-03.wav", "taps/BM-01-03.wav"),)


def test_one_bad_file_does_not_stop_the_others(folder, recorder, tap_file):
    (recorder / "BM-01-01.wav").write_bytes(b"")
    (recorder / "BM-01-02.wav").write_text("no sound", encoding="utf-8")
    tap_file(recorder / "long walk.wav")
    tap_file(recorder / "BM-02-05.wav")
    tap_file(recorder / "BM-09-01.wav")
    tap_file(recorder / "ZZ-01-01.wav")
    (recorder / "BM-01-01.wma").write_bytes(b"ID3")
    tap_file(recorder / "PL-01-01.wav")
    added = add(folder, *sorted(recorder.iterdir()), recorder / "gone.wav", recorder)
    assert added.written == (("recorder/PL-01-01.wav", "taps/PL-01-01.wav"),)
    expected = [
        "recorder/BM-01-01.wav: is empty (0 bytes)",
        "recorder/BM-01-01.wma: is of no kind that is known here (.wma) (give .wav, .flac or phone",
        "recorder/BM-01-02.wav: no reader of a recording takes it",
        "recorder/BM-02-05.wav: is at BM-02-05, which the plan skips",
        "recorder/BM-09-01.wav: fits no point: station 9 is outside zone BM",
        "recorder/ZZ-01-01.wav: fits no point: the plan has no zone ZZ",
        "recorder/long walk.wav: its name is not that of a point (name it like BM-07-05.wav, or give --zone",
        "recorder/gone.wav: is not there (check the name and the folder)",
    ]
    assert len(added.refused) == len(expected) + 1
    for line, start in zip(added.refused, expected, strict=False):
        assert line.startswith(start)
    assert "/recorder: is a folder (name the files in it, such as " in added.refused[-1]


def test_a_trace_is_copied_once(folder, recorder, trace_file):
    path = trace_file(recorder / "BM-1-3.csv")
    assert add(folder, path).written == (("recorder/BM-1-3.csv", "ascans/BM-01-03.csv"),)
    assert add(folder, path).unchanged == (("recorder/BM-1-3.csv", "ascans/BM-01-03.csv"),)
    before = (folder / "ascans" / "BM-01-03.csv").read_bytes()
    (refused,) = add(folder, trace_file(path, 2.0)).refused
    assert refused == (
        "recorder/BM-1-3.csv: there is another trace already, ascans/BM-01-03.csv "
        "(move that one away to replace it, or leave this one out)"
    )
    assert (folder / "ascans" / "BM-01-03.csv").read_bytes() == before


def test_a_trace_with_an_uneven_time_base_is_refused_before_it_is_copied(folder, recorder):
    path = recorder / "BM-01-03.csv"
    path.write_text("time_us,amplitude\n0,1\n1,2\n5,3\n", encoding="utf-8")
    (refused,) = add(folder, path).refused
    assert "uneven time base" in refused
    assert not list((folder / "ascans").iterdir())


def test_a_volume_is_copied_once_and_must_fit(folder, recorder):
    path = recorder / "pl.npy"
    np.save(path, np.zeros((2, 3, 16), np.int16))
    assert add(folder, path).written == (("recorder/pl.npy", "ascans/PL.npy"),)
    assert add(folder, path).unchanged == (("recorder/pl.npy", "ascans/PL.npy"),)
    np.save(path, np.ones((2, 3, 16), np.int16))
    assert "there is another volume already, ascans/PL.npy" in add(folder, path).refused[0]
    np.save(path, np.ones((3, 2, 16), np.int16))
    assert "stations and positions are swapped" in add(folder, path).refused[0]
    shutil.copy(path, recorder / "scan.npy")
    assert "the plan has no zone SCAN (name it " in add(folder, recorder / "scan.npy").refused[0]
    assert not np.load(folder / "ascans" / "PL.npy").any()


def test_a_zone_gets_a_volume_or_traces_and_not_both(folder, recorder, trace_file):
    np.save(recorder / "PL.npy", np.zeros((2, 3, 16)))
    trace_file(recorder / "PL-01-01.csv")
    trace_file(recorder / "BM-01-01.csv")
    np.save(recorder / "BM.npy", np.zeros((5, 6, 16)))
    added = add(folder, *(recorder / name for name in ("PL.npy", "PL-01-01.csv", "BM-01-01.csv", "BM.npy")))
    assert [target for _, target in added.written] == ["ascans/PL.npy", "ascans/BM-01-01.csv"]
    trace, volume = added.refused
    assert trace.startswith(
        "recorder/PL-01-01.csv: zone PL has a volume already, ascans/PL.npy (move the volume"
    )
    assert volume.startswith(
        "recorder/BM.npy: zone BM has single traces already, such as ascans/BM-01-01.csv ("
    )


def test_a_folder_that_cannot_be_written_to_is_reported(folder, recorder, tap_file, monkeypatch):
    def full(_source, _target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tapscan.records.taking.adding.copy_new", full)
    (refused,) = add(folder, tap_file(recorder / "BM-01-03.wav")).refused
    assert refused == (
        "taps/BM-01-03.wav: cannot be written: No space left on device (make room, or check its permissions)"
    )


def test_progress_is_reported(folder, recorder, tap_file):
    paths = [tap_file(recorder / f"BM-01-0{i}.wav") for i in (1, 2)]
    seen = []
    add_files(open_inspection(folder), paths, lambda done, total: seen.append((done, total)))
    assert seen == [(0, 2), (1, 2)]


def test_a_recording_there_that_cannot_be_compared_counts_as_another(folder, recorder, tap_file, monkeypatch):
    path = tap_file(recorder / "BM-01-03.wav")
    add(folder, path)

    def unreadable(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tapscan.records.taking.adding.filecmp.cmp", unreadable)
    (folder / "taps" / "BM-01-03.wav").write_bytes(b"damaged")
    assert add(folder, path).written == (("recorder/BM-01-03.wav", "taps/BM-01-03_2.wav"),)


def test_the_same_strikes_cut_differently_are_refused(folder, recorder, tap_file):
    path = tap_file(recorder / "BM-01-03.wav")
    add(folder, path)
    sound, rate_hz = soundfile.read(path, dtype="int16")
    soundfile.write(str(path), sound[:3000], rate_hz)
    (refused,) = add(folder, path).refused
    assert refused == (
        "recorder/BM-01-03.wav: holds a strike that is there already, in taps/BM-01-03.wav "
        "(leave it out, or move that recording away first)"
    )
    assert len(list((folder / "taps").iterdir())) == 1


def test_a_file_that_appears_meanwhile_is_not_replaced(folder, recorder, tap_file, monkeypatch):
    def meanwhile(_source, target):
        raise FileExistsError(17, "File exists", str(target))

    monkeypatch.setattr("tapscan.records.taking.adding.copy_new", meanwhile)
    (refused,) = add(folder, tap_file(recorder / "BM-01-03.wav")).refused
    assert refused == "taps/BM-01-03.wav: appeared while it was being written (run the command again)"


@pytest.mark.parametrize("name", ["taps", "ascans"])
def test_nothing_is_written_through_a_folder_that_leads_out(folder, recorder, tap_file, tmp_path, name):
    (tmp_path / "elsewhere").mkdir()
    shutil.rmtree(folder / name, ignore_errors=True)
    (folder / name).symlink_to(tmp_path / "elsewhere")
    trace = recorder / "BM-01-04.csv"
    rows = "".join(f"{i * 0.01:.2f},{i % 7}\n" for i in range(50))
    trace.write_text(f"time_us,amplitude\n{rows}", encoding="utf-8")
    with pytest.raises(TapscanError, match=f"{name}: is a link out of the inspection"):
        add(folder, tap_file(recorder / "BM-01-03.wav") if name == "taps" else trace)
    assert list((tmp_path / "elsewhere").iterdir()) == []
