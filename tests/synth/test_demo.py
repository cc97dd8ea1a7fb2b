from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tapscan.plan.points import point_name
from tapscan.plan.surfaces import block_mask
from tapscan.plan.text.reading import parse_plan
from tapscan.proving.demo import setup_files
from tapscan.sectioning.findings.csv_text import parse_findings
from tapscan.sectioning.findings.recorded import defects_of, shown
from tapscan.synth import demo
from tapscan.synth.ascans import AScanScene
from tapscan.synth.defects import true_mask
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
    files = {**files, **setup_files(files)}
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


def test_references_are_good_and_bad_readings_lie_elsewhere(zones):
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
