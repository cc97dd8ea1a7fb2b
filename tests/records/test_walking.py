import hashlib
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapscan.errors import TapscanError
from tapscan.plan import Point
from tapscan.records import open_inspection
from tapscan.records.readers import read_recording
from tapscan.records.taking.walking import Walk, add_walk, walked_points
from tapscan.signals import find_taps

RATE_HZ = 24_000


def walk_sound(counts, within_s=0.3, pause_s=0.9, seed=1, noise=1e-4):
    """A recorder left running: taps in groups, each a ring of its own pitch and strength; and their times."""
    rng = np.random.default_rng(seed)
    times, now_s = [], 0.5
    for count in counts:
        for tap in range(count):
            times.append(now_s)
            now_s += (pause_s if tap == count - 1 else within_s) * rng.uniform(0.85, 1.15)
    sound = noise * rng.standard_normal(round((now_s + 0.5) * RATE_HZ))
    ring_s = np.arange(round(0.08 * RATE_HZ)) / RATE_HZ
    for time_s in times:
        pitch_hz, height = rng.uniform(2000, 4000), rng.uniform(0.2, 0.6)
        start = round(time_s * RATE_HZ)
        sound[start : start + ring_s.size] += (
            height * np.exp(-0.02 * 2 * np.pi * pitch_hz * ring_s) * np.sin(2 * np.pi * pitch_hz * ring_s)
        )
    return sound, np.array(times)


@pytest.fixture
def walk_file(tmp_path):
    def write(sound, name="walk.wav", **kind):
        path = tmp_path / "recorder" / name
        path.parent.mkdir(exist_ok=True)
        soundfile.write(str(path), sound, RATE_HZ, **kind)
        return path

    return write


def names(added):
    return [target for _, target in added.written]


PANEL = ["01-01", "01-02", "01-03", "02-01", "02-02", "02-03"]


@pytest.mark.parametrize(
    ("name", "kind", "dtype"),
    [
        ("walk.wav", {"subtype": "PCM_U8"}, "int16"),
        ("walk.wav", {"subtype": "PCM_16"}, "int16"),
        ("walk.wav", {"subtype": "PCM_24"}, "int32"),
        ("walk.wav", {"subtype": "PCM_24", "format": "WAVEX"}, "int32"),
        ("walk.wav", {"subtype": "PCM_32"}, "int32"),
        ("walk.wav", {"subtype": "FLOAT"}, "float32"),
        ("walk.wav", {"subtype": "DOUBLE"}, "float64"),
        ("walk.wav", {"subtype": "ULAW"}, "int16"),
        ("walk.wav", {"subtype": "ALAW"}, "int16"),
        ("walk.flac", {"subtype": "PCM_16"}, "int16"),
        ("walk.flac", {"subtype": "PCM_24"}, "int32"),
    ],
)
def test_each_point_gets_its_taps_sample_for_sample_at_the_same_depth(folder, walk_file, name, kind, dtype):
    sound, times = walk_sound([3] * 6, noise=1e-3)
    path = walk_file(sound, name, **kind)
    source = soundfile.read(str(path), dtype=dtype)[0]
    added = add_walk(open_inspection(folder), path, Walk("PL"))
    end = name.rpartition(".")[2]
    assert names(added) == [f"taps/PL-{point}.{end}" for point in PANEL]
    at = 0
    for i, target in enumerate(names(added)):
        info = soundfile.info(str(folder / target))
        assert (info.samplerate, info.channels, info.subtype) == (RATE_HZ, 1, kind["subtype"])
        samples = soundfile.read(str(folder / target), dtype=dtype)[0]
        # The slice is the stretch of the source that holds the point's three taps and none of the others'.
        begin = at + int(np.flatnonzero((source[at:, None] == samples[0]).all(axis=1))[0])
        starts = (times * RATE_HZ).astype(int)
        begin = next(
            b
            for b in range(begin, starts[3 * i] + 1)
            if np.array_equal(source[b : b + len(samples)], samples)
        )
        inside = (starts >= begin) & (starts < begin + len(samples))
        assert np.flatnonzero(inside).tolist() == [3 * i, 3 * i + 1, 3 * i + 2]
        assert starts[3 * i] - begin >= 0.04 * RATE_HZ
        at = begin


def test_the_same_walk_twice_writes_nothing_new_and_another_one_gets_numbers(folder, walk_file):
    path = walk_file(walk_sound([3] * 6)[0])
    first = add_walk(open_inspection(folder), path, Walk("PL"))
    before = {target: (folder / target).read_bytes() for target in names(first)}
    again = add_walk(open_inspection(folder), path, Walk("PL"))
    assert (again.written, len(again.unchanged)) == ((), 6)
    other = add_walk(open_inspection(folder), walk_file(walk_sound([3] * 6, seed=2)[0], "b.wav"), Walk("PL"))
    assert names(other) == [f"taps/PL-{point}_2.wav" for point in PANEL]
    assert before == {target: (folder / target).read_bytes() for target in names(first)}
    assert len(open_inspection(folder).tap_files[Point("PL", 1, 1)]) == 2


def test_float_walks_give_the_same_bytes_whatever_the_clock(folder, walk_file):
    path = walk_file(walk_sound([3] * 6)[0], subtype="FLOAT")
    (first, *_) = names(add_walk(open_inspection(folder), path, Walk("PL")))
    assert b"PEAK" not in (folder / first).read_bytes()


def test_of_several_channels_one_is_taken_for_the_whole_walk(folder, walk_file):
    sound, _ = walk_sound([3] * 6)
    path = walk_file(np.stack([0.3 * sound, sound], axis=1), subtype="FLOAT")
    added = add_walk(open_inspection(folder), path, Walk("PL"))
    assert "recorder/walk.wav: took channel 2 of 2" in added.notes
    recording = read_recording(folder / names(added)[0])
    assert recording.channels == 1
    assert np.isin(recording.samples, sound.astype(np.float32)).all()


def test_skipped_points_are_left_out_of_the_walk(folder, walk_file):
    way = Walk("bm", first="02-03", last="BM-3-1")
    added = add_walk(open_inspection(folder), walk_file(walk_sound([3] * 4)[0]), way)
    assert names(added) == [f"taps/BM-{point}.wav" for point in ("02-03", "02-04", "02-06", "03-01")]


def test_there_and_back_turns_every_other_station_round(folder):
    plan = open_inspection(folder).plan
    walked = [str(point) for point in walked_points(plan, Walk("PL", there_and_back=True))]
    assert walked == [f"PL-{point}" for point in ("01-01", "01-02", "01-03", "02-03", "02-02", "02-01")]
    part = walked_points(plan, Walk("PL", first="02-03", last="02-02", there_and_back=True))
    assert [str(point) for point in part] == ["PL-02-03", "PL-02-02"]


@pytest.mark.parametrize(
    ("way", "message"),
    [
        (
            Walk("QQ"),
            r"inspection\.toml: the plan has no zone QQ \(name one of its zones with --zone: BM, PL\)",
        ),
        (
            Walk("PL", first="3-1"),
            r"--from: 3-1 is not a planned point of zone PL \(it has 2 stations × 3 positions",
        ),
        (Walk("BM", last="02-05"), "--to: 02-05 is not a planned point of zone BM"),
        (
            Walk("PL", first="one"),
            r"--from: 'one' is not a point \(write station and position, such as 07-05\)",
        ),
        (Walk("PL", last="01-01:02-02"), "--to: '01-01:02-02' is not a point"),
        (
            Walk("PL", "02-01", "01-02"),
            r"--from 02-01 --to 01-02: the walk reaches the second point first \(swap",
        ),
    ],
)
def test_a_way_that_the_plan_does_not_have(folder, way, message):
    with pytest.raises(TapscanError, match=message):
        walked_points(open_inspection(folder).plan, way)


def test_a_zone_with_every_point_skipped_cannot_be_walked(folder):
    plan = folder / "inspection.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + 'skip = ["01-01:02-03"]\n', encoding="utf-8")
    with pytest.raises(TapscanError, match='zone "PL": has no point to walk: all are skipped'):
        walked_points(open_inspection(folder).plan, Walk("PL"))


def refused(folder, path):
    with pytest.raises(TapscanError, match=r"^recorder/walk\.wav: ") as caught:
        add_walk(open_inspection(folder), path, Walk("PL"))
    assert not list((folder / "taps").iterdir())
    return str(caught.value)


def test_a_tap_too_few_names_its_point_and_writes_nothing(folder, walk_file):
    text = refused(folder, walk_file(walk_sound([3, 3, 2, 3, 3, 3])[0]))
    assert "holds 17 taps, and 6 points × 3 need 18; nothing was written; PL-01-03 has 2 at 0:03." in text
    assert "(take them as they are with --keep-uneven, or cut the recording there and add the pieces" in text


def test_a_right_count_with_taps_at_the_wrong_points_is_seen(folder, walk_file):
    text = refused(folder, walk_file(walk_sound([3, 2, 3, 3, 4, 3])[0]))
    assert "PL-01-02 has 2 at" in text
    assert "PL-02-02 has 4 at" in text


def test_a_point_passed_over_is_reported_by_the_number_of_groups(folder, walk_file):
    text = refused(folder, walk_file(walk_sound([3, 3, 3, 3, 3])[0]))
    assert "the pauses make 5 groups (say which points were walked with --from and --to)" in text
    text = refused(folder, walk_file(walk_sound([3, 3, 2, 3, 3])[0]))
    assert "the pauses make 5 groups, and the first odd one has 2 at 0:03." in text
    assert "where PL-01-03 is due (cut the recording there" in text


def test_even_tapping_with_a_wrong_count_is_reported(folder, walk_file):
    text = refused(folder, walk_file(walk_sound([17], within_s=0.4)[0]))
    assert (
        "the gaps between the taps do not separate the points (pause between points, or add shorter" in text
    )


def test_even_tapping_with_the_right_count_is_split_with_a_note(folder, walk_file):
    added = add_walk(open_inspection(folder), walk_file(walk_sound([18], within_s=0.4)[0]), Walk("PL"))
    assert len(added.written) == 6
    assert "recorder/walk.wav: no pauses separate the points; split by count alone" in added.notes


def test_pieces_of_a_walk_that_overlap_are_refused_before_anything_is_written(folder, walk_file):
    sound, times = walk_sound([3, 3, 3, 3, 3, 3])
    # The first piece ends soon after its last tap, which the second one holds too: cut otherwise, not new.
    first = walk_file(sound[: round((times[8] + 0.2) * RATE_HZ)], "first.wav")
    add_walk(open_inspection(folder), first, Walk("PL", last="01-03"))
    there = sorted((folder / "taps").iterdir())
    second = walk_file(sound[round((times[6] - 0.3) * RATE_HZ) :], "second.wav")
    with pytest.raises(TapscanError, match="holds strikes that are there already, at PL-01-03") as caught:
        add_walk(open_inspection(folder), second, Walk("PL", first="01-03"))
    assert "nothing was written (give --from and --to for the new points alone" in str(caught.value)
    assert sorted((folder / "taps").iterdir()) == there
    # Striking the point again is another recording.
    again = walk_file(walk_sound([3], seed=2)[0], "again.wav")
    assert names(add_walk(open_inspection(folder), again, Walk("PL", "01-03", "01-03"))) == [
        "taps/PL-01-03_2.wav"
    ]


def test_uneven_points_can_be_kept_where_pauses_show_them(folder, walk_file):
    way = Walk("PL", keep_uneven=True)
    added = add_walk(open_inspection(folder), walk_file(walk_sound([3, 3, 2, 4, 3, 3])[0]), way)
    lengths = [soundfile.info(str(folder / target)).duration for target in names(added)]
    assert lengths[2] < lengths[1] < lengths[3]


def test_silence_has_no_taps(folder, walk_file):
    assert "no taps were found in it (check the recorder's input" in refused(
        folder, walk_file(np.zeros(RATE_HZ))
    )


def test_a_clipped_tap_is_noted(folder, walk_file):
    sound, times = walk_sound([3] * 6)
    start = round(times[4] * RATE_HZ)
    sound[start : start + 2000] = np.clip(40 * sound[start : start + 2000], -1, 1)
    added = add_walk(open_inspection(folder), walk_file(sound), Walk("PL"))
    assert any(note.startswith("PL-01-02: a tap is clipped (lower the gain") for note in added.notes)


def test_the_recording_is_checked_like_any_other(folder, walk_file, tmp_path):
    path = walk_file(walk_sound([3] * 6)[0])
    path.write_bytes(path.read_bytes()[:5000])
    assert "is cut short" in refused(folder, path)
    path.write_bytes(b"")
    assert "is empty" in refused(folder, path)
    with pytest.raises(TapscanError, match="does not exist"):
        add_walk(open_inspection(folder), tmp_path / "gone.wav", Walk("PL"))
    assert "lasts" not in refused(folder, path)


def test_a_walk_of_more_than_two_hours_is_refused(folder, walk_file, monkeypatch):
    monkeypatch.setattr("tapscan.records.readers.audio.MAX_WALK_S", 1.0)
    text = refused(folder, walk_file(walk_sound([3] * 6)[0]))
    assert "lasts" in text


def test_a_file_that_appears_meanwhile_is_not_replaced(folder, walk_file, monkeypatch):
    path = walk_file(walk_sound([3] * 6)[0])

    def meanwhile(target, _content):
        raise FileExistsError(target)

    monkeypatch.setattr("tapscan.records.taking.walking.write_new", meanwhile)
    with pytest.raises(TapscanError, match=r"PL-01-01\.wav: appeared while it was being written"):
        add_walk(open_inspection(folder), path, Walk("PL"))


def test_a_walk_over_the_simulated_part_gives_each_point_its_own_taps(tmp_path):
    """The taps come from the demo's physical simulator, which knows nothing of walks."""
    demo = Path(__file__).parents[2] / "recordings_demo"
    plan = (demo / "inspection.toml").read_text(encoding="utf-8")
    (tmp_path / "inspection.toml").write_text(plan, encoding="utf-8")
    shutil.copytree(demo / "photos", tmp_path / "photos")
    inspection = open_inspection(tmp_path)
    way = Walk("BM", last="03-12")
    points = walked_points(inspection.plan, way)
    rng = np.random.default_rng(4)
    pieces, begins, onsets = [], [], []
    for point in points:
        sound, rate_hz = soundfile.read(str(demo / "taps" / f"{point}.wav"), dtype="int16")
        quiet = sound[:480].std() * rng.standard_normal(round(rng.uniform(0.35, 0.8) * rate_hz))
        begins.append(sum(map(len, pieces)))
        onsets.append(find_taps(sound / 32768, rate_hz).start)
        pieces += [sound, quiet.round().astype(np.int16)]
    walked = np.concatenate(pieces)
    path = tmp_path / "walk.wav"
    soundfile.write(str(path), walked, rate_hz)
    added = add_walk(inspection, path, way)
    assert names(added) == [f"taps/{point}.wav" for point in points]
    for target, begin, onset in zip(names(added), begins, onsets, strict=True):
        samples = soundfile.read(str(tmp_path / target), dtype="int16")[0]
        windows = np.lib.stride_tricks.sliding_window_view(walked, len(samples))
        (at,) = np.flatnonzero((windows[:, 1000:1010] == samples[1000:1010]).all(axis=1))
        assert np.array_equal(walked[at : at + len(samples)], samples)
        found = at + find_taps(samples / 32768, rate_hz).start
        assert np.abs(found - (begin + onset)).max() <= 2


def test_a_walk_that_a_phone_compressed_is_kept_and_its_pieces_say_what_was_lost(folder, walk_file):
    path = walk_file(walk_sound([3] * 6, noise=1e-3)[0], "walk.ogg", format="OGG", subtype="VORBIS")
    whole = read_recording(path)
    added = add_walk(open_inspection(folder), path, Walk("PL"))
    assert names(added) == [f"taps/PL-{point}.flac" for point in PANEL]
    assert (folder / "walks" / "walk.ogg").read_bytes() == path.read_bytes()
    said = "walk.ogg: was compressed with loss (Vorbis), which alters spectra; it is empty"
    assert [said in note for note in added.notes].count(True) == 1
    for target in names(added):
        piece = read_recording(folder / target)
        assert piece.codec == "Vorbis"
        assert piece.empty_above_hz == pytest.approx(whole.empty_above_hz, abs=0.5)
        assert find_taps(piece.samples, piece.sample_rate_hz).start.size == 3
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    assert f"walk.ogg, SHA-256 {digest}" in soundfile.SoundFile(folder / names(added)[0]).comment
    again = add_walk(open_inspection(folder), path, Walk("PL"))
    assert (again.written, len(again.unchanged)) == ((), 6)
