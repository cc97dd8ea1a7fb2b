import json
import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile

import tapscan
from tapscan.capture import Session
from tapscan.capture.keeping import usable_taps
from tapscan.capture.sound.listening import WINDOW_S
from tapscan.capture.sound.ringing import RING_S
from tapscan.errors import TapscanError
from tapscan.records import open_inspection
from tapscan.signals import cut_taps, find_taps, tap_features
from tapscan.signals.taps.bands import band_energy
from tests.capture.sounds import beam_tap, in_blocks, stream

RATE = 24_000
TAP = beam_tap(RATE)


def sound_of(count, first_s=0.5, apart_s=0.3):
    taps = [(first_s + apart_s * i, 0.3 + 0.01 * i, TAP) for i in range(count)]
    return stream(RATE, taps, first_s + apart_s * count + 0.1)


def open_session(folder, **how):
    return Session(open_inspection(folder), RATE, **how)


def feed(session, sound):
    return [
        event for block in in_blocks(sound, [240]) for event in session.feed(block) if event.name != "level"
    ]


def files(folder):
    return sorted(path.name for path in (folder / "taps").iterdir()) if (folder / "taps").is_dir() else []


def test_each_tap_is_a_file_of_its_own_sample_for_sample(folder):
    sound = sound_of(4)
    with open_session(folder) as session:
        events = feed(session, sound)
    assert files(folder) == ["BM-01-01.wav", "BM-01-01_2.wav", "BM-01-02.wav", "BM-01-02_2.wav"]
    taps = [event for event in events if event.name == "accepted"]
    for tap, name in zip(taps, files(folder), strict=True):
        path = folder / "taps" / name
        samples, rate = soundfile.read(path, dtype="float32")
        assert (rate, soundfile.info(path).subtype) == (RATE, "FLOAT")
        np.testing.assert_array_equal(samples[: len(tap.samples)], tap.samples)
        end = round(tap.time_s * RATE) + round(RING_S * RATE)
        np.testing.assert_array_equal(samples, sound[end - len(samples) : end])
        assert usable_taps(path) == 1


def test_a_tap_is_reported_with_its_beginning_on_disk_and_rings_on_there(folder):
    sound = sound_of(1)
    lengths = []
    with open_session(folder) as session:
        for block in in_blocks(sound, [240]):
            names = {event.name for event in session.feed(block)}
            if names & {"accepted", "lengthened"}:
                lengths.append(len(soundfile.read(folder / "taps" / "BM-01-01.wav")[0]))
    assert len(lengths) == 2
    assert lengths[1] - lengths[0] == round(RING_S * RATE) - round(WINDOW_S * RATE)


def test_what_is_measured_of_a_captured_tap_is_what_a_recording_gives(folder):
    """A lightly damped part, which rings on for longer than the cue waits."""
    rate_hz, at_s = 48_000, 0.5 + 0.3 * np.arange(4)
    tap = beam_tap(rate_hz, loss=0.01)
    sound = stream(rate_hz, [(time_s, 0.3, tap) for time_s in at_s], 1.8)
    with Session(open_inspection(folder), rate_hz) as session:
        feed(session, sound)

    def measured(samples):
        found = find_taps(samples, rate_hz)
        cut = cut_taps(samples, found.start, rate_hz, 0.1)
        features = tap_features(cut, rate_hz, noise_power=np.full(len(cut), 1e-6))
        return features, 10 * np.log10(band_energy(cut, rate_hz).strike)

    whole, whole_db = measured(sound)
    kept = [measured(soundfile.read(folder / "taps" / name, dtype="float32")[0]) for name in files(folder)]
    for row, (one, one_db) in enumerate(kept):
        assert one.damping_ratio[0] == pytest.approx(whole.damping_ratio[row], rel=0.02)
        assert one.centroid_hz[0] == pytest.approx(whole.centroid_hz[row], rel=0.002)
        np.testing.assert_allclose(one_db[0], whole_db[row], atol=0.3)


def test_a_tap_that_another_sound_cuts_short_keeps_its_beginning(folder):
    """A bounce that comes after the window, a command, lost samples: the file stays as it was reported."""
    bounce = stream(RATE, [(0.5, 0.3, TAP), (0.59, 0.2, TAP)], 1.0)
    reported_at = round(0.58 * RATE)
    with open_session(folder) as session:
        reported = [feed(session, bounce)[0]]
        session.command("back")
        session.command("undo")
    with open_session(folder) as session:
        reported += feed(session, sound_of(1)[:reported_at])[:1]
        session.command("pause")
        assert feed(session, sound_of(1)[reported_at:]) == []
        session.command("resume")
        reported += feed(session, sound_of(1)[:reported_at])[:1]
        session.interrupt()
        assert feed(session, sound_of(1)[reported_at:]) == []
    assert [event.name for event in reported] == ["accepted"] * 3
    assert files(folder) == ["BM-01-01.wav", "BM-01-01_2.wav", "BM-01-02.wav"]
    for event, name in zip(reported, files(folder), strict=True):
        samples, _ = soundfile.read(folder / "taps" / name, dtype="float32")
        np.testing.assert_array_equal(samples, event.samples)


def test_a_disk_that_takes_no_longer_tap_leaves_its_beginning(folder, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tapscan.capture.keeping.write_bytes", full)
    with open_session(folder) as session:
        events = feed(session, sound_of(1))
    assert "lengthened" in [event.name for event in events]
    samples, _ = soundfile.read(folder / "taps" / "BM-01-01.wav", dtype="float32")
    np.testing.assert_array_equal(samples, events[0].samples)


def test_a_longer_tap_takes_no_place_of_a_file_that_somebody_else_put_there(folder):
    path = folder / "taps" / "BM-01-01.wav"
    with open_session(folder) as session:
        for block in in_blocks(sound_of(1), [240]):
            if any(event.name == "accepted" for event in session.feed(block)):
                path.unlink()
                path.write_bytes(b"another recording")
    assert path.read_bytes() == b"another recording"


def test_a_capture_writes_nothing_through_a_folder_that_leads_out(folder, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (folder / "taps").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(TapscanError, match="taps: is a link out of the inspection"):
        open_session(folder)


def test_a_tap_is_on_disk_before_it_is_reported(folder):
    with open_session(folder) as session:
        reported = 0
        for block in in_blocks(sound_of(5), [240]):
            reported += sum(event.name == "accepted" for event in session.feed(block))
            assert len(files(folder)) >= reported
    assert reported == 5


def test_every_file_is_flushed_and_renamed(folder, monkeypatch):
    done = []
    sync, link = os.fsync, os.link
    monkeypatch.setattr(os, "fsync", lambda handle: (done.append("flushed"), sync(handle))[1])
    monkeypatch.setattr(os, "link", lambda *args, **how: (done.append("named"), link(*args, **how))[1])
    with open_session(folder) as session:
        done.clear()
        for block in in_blocks(sound_of(1), [240]):
            before = len(done)
            events = session.feed(block)
            if any(event.name == "accepted" for event in events):
                assert done[before:] == ["flushed", "named", "flushed"]  # the sound, its name, the folder
                return
    pytest.fail("no tap was accepted")


def test_a_session_goes_on_where_the_last_one_ended(folder):
    with open_session(folder) as session:
        feed(session, sound_of(3))
    with open_session(folder) as session:
        assert str(session.state.at) == "BM-01-02"
        assert session.snapshot()["points"][:3] == [
            {"point": "BM-01-01", "taken": 2, "skipped": False},
            {"point": "BM-01-02", "taken": 1, "skipped": False},
            {"point": "BM-01-03", "taken": 0, "skipped": False},
        ]
        feed(session, sound_of(1))
        assert str(session.state.at) == "BM-01-03"


def test_what_is_undone_is_kept_aside_and_no_analysis_stumbles_over_it(folder):
    with open_session(folder) as session:
        feed(session, sound_of(3))
        session.command("undo")
        assert files(folder) == ["BM-01-01.wav", "BM-01-01_2.wav"]
        session.command("back")
        session.command("undo")
        feed(session, sound_of(1))
        session.command("back")
        session.command("undo")
        session.command("repeat")
    assert files(folder) == []
    assert sorted(path.name for path in (folder / "capture" / "undone").iterdir()) == [
        "BM-01-01.1.wav",
        "BM-01-01_2.1.wav",
        "BM-01-01_2.2.wav",
        "BM-01-02.1.wav",
    ]
    inspection = open_inspection(folder)
    assert not inspection.warnings
    assert not inspection.tap_files


def test_taps_of_an_earlier_session_can_be_undone_back_along_the_walk(folder):
    with open_session(folder) as session:
        feed(session, sound_of(3))
    with open_session(folder) as session:
        assert str(session.command("undo")[0].point) == "BM-01-02"
        session.command("back")
        assert [str(session.command("undo")[0].point) for _ in range(2)] == ["BM-01-01", "BM-01-01"]
        assert session.command("undo")[0].name == "refused"
    assert files(folder) == []


def test_skips_and_jumps_are_remembered(folder):
    with open_session(folder) as session:
        session.command("skip")
        session.command("go to", "bm-3-2")
        feed(session, sound_of(2))
    with open_session(folder) as session:
        assert str(session.state.at) == "BM-03-03"
        assert [str(point) for point in session.state.skipped] == ["BM-01-01"]
        session.command("go to", "1-1")
        assert str(session.state.at) == "BM-01-01"
    with open_session(folder) as session:
        assert not session.state.skipped
        assert str(session.state.at) == "BM-01-01"


def test_words_that_are_no_point_are_refused(folder):
    with open_session(folder) as session:
        assert session.command("go to", "left a bit")[0].what == "'left a bit' is not a point"
        assert session.command("go to", "02-05")[0].what == "BM-02-05 is not a point of this walk"
        with pytest.raises(KeyError):
            session.command("dance")


def test_a_torn_or_foreign_journal_does_no_harm(folder):
    with open_session(folder) as session:
        session.command("skip")
    journal = folder / "capture" / "journal.jsonl"
    journal.write_bytes(journal.read_bytes() + b'{"nonsense"\n[1]\n{"skip": 5}\n{"skip": "BM-01-0')
    with open_session(folder) as session:
        session.command("skip")
    with open_session(folder) as session:
        assert sorted(str(point) for point in session.state.skipped) == ["BM-01-01", "BM-01-02"]
    journal.unlink()
    with open_session(folder) as session:
        assert str(session.state.at) == "BM-01-01"


def test_recordings_brought_in_otherwise_count_by_their_usable_taps(folder):
    (folder / "taps").mkdir()
    soundfile.write(folder / "taps" / "BM-1-1.wav", sound_of(3), RATE)
    soundfile.write(folder / "taps" / "BM-01-02.flac", np.zeros(RATE), RATE)
    (folder / "taps" / "BM-01-03.wav").write_bytes(b"RIFF")
    with open_session(folder) as session:
        assert [session.state.taken.get(point) for point in session.state.course.points[:3]] == [3, 0, 0]
        assert str(session.state.at) == "BM-01-02"
        feed(session, sound_of(4))
        session.command("back")
        assert session.command("undo")[0].name == "undone"
    assert files(folder) == [
        *["BM-01-02.flac", "BM-01-02_2.wav", "BM-01-02_3.wav"],
        *["BM-01-03.wav", "BM-01-03_2.wav", "BM-1-1.wav"],
    ]


def test_a_file_that_turns_up_meanwhile_is_never_written_over(folder):
    with open_session(folder) as session:
        (folder / "taps").mkdir()
        (folder / "taps" / "BM-01-01.wav").write_bytes(b"somebody else's")
        feed(session, sound_of(1))
    assert files(folder) == ["BM-01-01.wav", "BM-01-01_2.wav"]
    assert (folder / "taps" / "BM-01-01.wav").read_bytes() == b"somebody else's"


@pytest.mark.skipif(sys.platform == "win32", reason="the lock is one of POSIX")
def test_one_capture_at_a_time(folder):
    with (
        open_session(folder),
        pytest.raises(TapscanError, match=r"my-part: another capture is running .* \(end that one first\)"),
    ):
        open_session(folder)
    open_session(folder).close()


def test_zones_with_a_scans_are_not_walked_unless_they_are_named(folder):
    (folder / "ascans").mkdir()
    (folder / "ascans" / "BM-01-01.csv").write_text("time_us,amplitude\n0,0\n0.1,1\n")
    with open_session(folder) as session:
        assert {point.zone for point in session.state.course.points} == {"PL"}
    with open_session(folder, zones=("bm",)) as session:
        assert {point.zone for point in session.state.course.points} == {"BM"}
    with pytest.raises(TapscanError, match="the plan has no zone XX"):
        open_session(folder, zones=("XX",))


def test_a_disk_that_fails_ends_the_session_in_one_sentence(folder, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    with open_session(folder) as session:
        feed(session, sound_of(1))
        monkeypatch.setattr("tapscan.capture.keeping.write_new", full)
        sentence = (
            r"^taps/BM-01-01_2\.wav: cannot be kept: No space left on device; everything before it is kept "
            r"\(free some space or plug the disk in, and start the capture again: it goes on here\)$"
        )
        with pytest.raises(TapscanError, match=sentence):
            feed(session, sound_of(1))
        with pytest.raises(TapscanError, match="cannot be kept"):
            session.feed(np.zeros(10, dtype=np.float32))
    monkeypatch.undo()
    assert files(folder) == ["BM-01-01.wav"]
    with open_session(folder) as session:
        assert (str(session.state.at), session.state.taken[session.state.at]) == ("BM-01-01", 1)


def test_a_lost_moment_of_sound_is_no_tap(folder):
    sound = sound_of(3)
    with open_session(folder) as session:
        feed(session, sound[: round(0.82 * RATE)])
        session.interrupt()
        events = feed(session, sound[round(0.84 * RATE) :])
        assert [event.name for event in events] == ["accepted", "point complete", "moved", "lengthened"]


def test_the_snapshot_is_json(folder):
    with open_session(folder, source="a test") as session:
        standing = json.loads(json.dumps(session.snapshot()))
    assert standing["sample_rate_hz"] == RATE
    assert standing["point"] == "BM-01-01"
    assert len(standing["points"]) == 23 + 2


def test_a_folder_that_cannot_be_written_is_reported(folder):
    (folder / "capture").write_text("in the way")
    with pytest.raises(TapscanError, match=r"capture/journal\.jsonl: cannot be kept"):
        open_session(folder)


def test_a_captured_part_can_be_analysed(folder):
    with open_session(folder) as session:
        feed(session, sound_of(50))
        assert session.state.at is None
    results = tapscan.analyse(tapscan.open_inspection(folder))
    in_boom = results.points["zone"] == "BM"
    assert in_boom.sum() == 23
    assert (results.points["n_taps"][in_boom] == 2).all()  # the panel has too few points for a baseline


FIRST_TAP = """
import subprocess
import sys
import numpy as np
from tapscan.capture import Session
from tapscan.records import open_inspection

time_s = np.arange(4800) / 24_000
sound = 1e-3 * np.random.default_rng(0).standard_normal(24_000)
sound[12_000:16_800] += 0.4 * np.exp(-300 * time_s) * np.sin(2 * np.pi * 3000 * time_s)
with Session(open_inspection(sys.argv[1]), 24_000) as session:
    there = set(sys.modules)
    events = session.feed(sound.astype(np.float32))
    print([event.name for event in events if event.name != "level"], sorted(set(sys.modules) - there))
"""


def test_the_first_tap_waits_for_no_library_to_be_loaded(folder):
    run = subprocess.run(
        [sys.executable, "-c", FIRST_TAP, str(folder)], capture_output=True, text=True, check=True
    )
    assert run.stdout == "['accepted', 'lengthened'] []\n"


def test_undo_at_a_point_with_many_taps_takes_the_last(folder):
    with open_session(folder) as session:
        for _ in range(11):
            session.command("go to", "1-1")
            feed(session, sound_of(1))
        session.command("back")
        session.command("undo")
    assert [path.name for path in (folder / "capture" / "undone").iterdir()] == ["BM-01-01_11.1.wav"]


def test_a_point_struck_again_keeps_its_old_taps_until_the_first_new_one(folder):
    with open_session(folder) as session:
        feed(session, sound_of(4))
    before = files(folder)
    with open_session(folder, zones=["BM-01-02"]) as session:
        assert [str(point) for point in session.state.course.points] == ["BM-01-02"]
        assert str(session.state.at) == "BM-01-02"
    assert files(folder) == before
    with open_session(folder, zones=["BM-01-02"]) as session:
        feed(session, sound_of(2))
        assert session.state.at is None
    assert files(folder) == before
    moved = sorted(path.name for path in (folder / "capture" / "undone").iterdir())
    assert moved == ["BM-01-02.1.wav", "BM-01-02_2.1.wav"]


def test_a_point_to_strike_again_must_be_one_of_the_plan(folder):
    with pytest.raises(TapscanError, match="BM-99-01: fits no point: station 99 is outside zone BM"):
        open_session(folder, zones=["BM-99-01"])
