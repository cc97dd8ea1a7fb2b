from dataclasses import replace
from io import BytesIO
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tapscan.plan.points import point_name
from tapscan.plan.surfaces import block_mask
from tapscan.plan.text.reading import parse_plan
from tapscan.proving.demo import setup_files
from tapscan.sectioning.cut_photos import cut_photos
from tapscan.sectioning.demo import cut_files
from tapscan.sectioning.findings.csv_text import parse_findings
from tapscan.sectioning.findings.recorded import defects_of, shown
from tapscan.synth import demo
from tapscan.synth.ascans import AScanScene
from tapscan.synth.defects import true_mask
from tapscan.synth.rendered import cut_photo
from tapscan.synth.taps import simulate_taps

KEPT = Path(__file__).parents[2] / "recordings_demo"


@pytest.fixture(scope="module")
def files():
    return demo.demo_files()


@pytest.fixture(scope="module")
def zones():
    return parse_plan(demo.DEMO_PLAN).zones


def test_the_kept_recordings_are_the_simulator_s_to_the_byte(files):
    kept = {p.relative_to(KEPT).as_posix(): p.read_bytes() for p in KEPT.rglob("*") if p.is_file()}
    kept = {name: content for name, content in kept.items() if not name.startswith("results/")}
    files = {**files, **setup_files(files), **cut_files(files)}
    assert sorted(kept) == sorted(files)
    assert [name for name in files if files[name] != kept[name]] == []


def test_two_taps_at_a_point_differ_as_a_hand_s_do(zones):
    scene = replace(demo.DEMO_TAPS, taps=2, snr_db=80.0, click_share=0.0)
    taps = simulate_taps(replace(zones[0], stations=4), [], scene, demo.DEMO_SEED)
    rate_hz, count = taps.sample_rate_hz, 1024
    level_db = np.empty((4, 12, 2, 3))
    for index in np.ndindex(taps.onset_s.shape):
        first = round(taps.onset_s[index] * rate_hz)
        power = np.abs(np.fft.rfft(taps.samples[index[:2]][first : first + count])) ** 2
        edges = [round(hz * count / rate_hz) for hz in (1000, 2000, 4000, 8000)]
        level_db[index] = [10 * np.log10(power[a:b].sum()) for a, b in pairwise(edges)]
    shape_db = level_db - level_db.mean(axis=-1, keepdims=True)
    repeat_db = np.abs(shape_db[:, :, 0] - shape_db[:, :, 1]).mean()
    assert 0.5 < repeat_db < 3


def test_the_demo_is_small_and_says_what_it_is(files):
    assert sum(map(len, files.values())) < 6_500_000
    plan = parse_plan(files["inspection.toml"].decode())
    assert "Synthetic demonstration data made by tapscan demo; no real part" in plan.part.history
    assert "synthetic" in plan.part.name


def test_truth_is_as_described(zones):
    boom, seat = zones
    dull, ringing = (true_mask(boom, [defect]) for defect in demo.BOOM_DEFECTS)
    assert dull[:, 0].any()
    assert dull[:, -1].any()  # across the datum line
    assert not (dull & ringing).any()
    assert min(defect.radius_mm for defect in demo.BOOM_DEFECTS) >= 14
    wide, small = demo.SEAT_DEFECTS
    assert wide.radius_mm > 3 * AScanScene().beam_mm > small.radius_mm
    assert true_mask(seat, [wide]).any()


def test_findings_are_labelled_and_cut_every_defect_and_a_control(files, zones):
    plan = parse_plan(demo.DEMO_PLAN)
    rows = parse_findings(files["findings.csv"].decode(), plan, "findings.csv")
    assert all("synthetic: no part was cut" in row.note for row in rows)
    for zone, defects in zip(zones, (demo.BOOM_DEFECTS, demo.SEAT_DEFECTS), strict=True):
        reported = shown(zone, rows)
        bad = true_mask(zone, defects)
        assert set(reported[bad].tolist()) == {"delamination", "not cut"}
        assert set(reported[~bad].tolist()) == {"none", "not cut"}
        assert len(defects_of(zone, rows)) == len(defects)
        assert any((reported[i] == "none").all() for i in range(zone.stations))


@pytest.fixture(scope="module")
def cut(files, tmp_path_factory):
    folder = tmp_path_factory.mktemp("cut")
    made = cut_files(files)
    for name, content in made.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(content)
    return folder, made


def test_the_photo_of_a_cut_is_small_labelled_and_shows_what_was_drawn(cut):
    folder, made = cut
    photo = made[cut_photo.PHOTO_NAME]
    assert sum(map(len, made.values())) < 300_000
    grey = np.asarray(Image.open(BytesIO(photo)).convert("L"))
    # Dark letters in the corner, nothing dark beside them.
    assert np.mean(grey[566:590, 10:175] < 60) > 0.15
    assert np.mean(grey[566:590, 180:] < 60) == 0
    (shown,), doubts = cut_photos(folder)
    assert doubts == ()
    wall, apart, planar, void, _ = shown.results
    assert wall["mean_mm"]["value"] == pytest.approx(cut_photo.WALL_MM, rel=0.01, abs=1 / 14)
    first, last = cut_photo.SEPARATION_MM
    assert apart["length_mm"]["value"] == pytest.approx(last - first, rel=0.01)
    assert apart["depth_mm"]["value"] == pytest.approx(1.0, abs=0.05)
    assert planar["longest_mm"]["value"] == pytest.approx(3.2, abs=1 / 14)
    area = np.pi * cut_photo.VOID_RADIUS_MM**2
    assert void["area_mm2"]["low_95"] < area < void["area_mm2"]["high_95"]


def test_the_story_of_the_cut_is_in_the_findings(cut, zones):
    _, made = cut
    rows = parse_findings(made["findings.csv"].decode(), parse_plan(demo.DEMO_PLAN), "findings.csv")
    groups = defects_of(zones[1], rows)
    assert {one.starts_at for one in groups["SP-D1"]} == {"SP-V1"}
    assert {one.cause for one in groups["SP-D1"]} == {"impact"}
    assert [(one.kind, one.cause) for one in groups["SP-V1"]] == [("planar void", "manufacture")]
    assert all("synthetic: no part was cut" in row.note for row in rows)


def test_references_are_good_and_bad_readings_are_elsewhere(zones):
    boom, _ = zones
    bad = true_mask(boom, demo.BOOM_DEFECTS)
    reference, skipped = block_mask(boom, boom.reference), block_mask(boom, boom.skip)
    assert not (bad & reference).any()
    unread = [demo.SILENT_TAP, demo.CLIPPED_TAP, demo.MISSING_TAP]
    for station, position in unread:
        assert not (bad | reference | skipped)[station - 1, position - 1]


def test_bad_readings_are_bad(files, zones):
    boom, _ = zones
    assert f"taps/{point_name(boom.code, *demo.MISSING_TAP)}.wav" not in files
    silent = np.frombuffer(files[f"taps/{point_name(boom.code, *demo.SILENT_TAP)}.wav"][44:], "<i2")
    clipped = np.frombuffer(files[f"taps/{point_name(boom.code, *demo.CLIPPED_TAP)}.wav"][44:], "<i2")
    assert not silent.any()
    assert np.count_nonzero(np.abs(clipped) == 32767) > 30
    others = [
        name for name in files if name.startswith("taps/") and not name.endswith(("06-08.wav", "11-04.wav"))
    ]
    peaks = [np.abs(np.frombuffer(files[name][44:], "<i2")).max() for name in others]
    assert max(peaks) < 32767
    assert min(peaks) > 500
