"""Every kind of bad reading, all the way: its point is unread with a reason and a line; the rest goes on."""

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

import tapscan
from tapscan.screening.results import CLEAR, SUSPECT, UNREAD

PLAN = """
[tap]
taps_per_point = 2

[ascan]
sample_rate_mhz = 50.0

[laminate]
thickness_mm = 4.0
velocity_m_s = 2950.0

[[zone]]
code = "TP"
shape = "panel"
stations = 8
positions = 6
station_pitch_mm = 10.0
position_pitch_mm = 10.0

[[zone]]
code = "US"
shape = "panel"
stations = 6
positions = 5
station_pitch_mm = 10.0
position_pitch_mm = 10.0
"""
RATE_HZ = 24_000


def tap_sound(rng: np.random.Generator, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Two taps on a wall with two notes, a little different each time."""
    sound = 2e-4 * rng.standard_normal(round(0.8 * rate_hz))
    time_s = np.arange(round(0.15 * rate_hz)) / rate_hz
    for start_s in (0.1, 0.45):
        ring = sum(
            height * rng.uniform(0.9, 1.1) * np.exp(-0.02 * 2 * np.pi * note_hz * time_s)
            * np.sin(2 * np.pi * note_hz * rng.uniform(0.99, 1.01) * time_s)
            for height, note_hz in ((0.3, 1100), (0.2, 2300))
        )  # fmt: skip
        start = round(start_s * rate_hz)
        sound[start : start + time_s.size] += rng.uniform(0.7, 1.2) * ring
    return sound


def trace_samples(rng: np.random.Generator) -> np.ndarray:
    """A front-surface echo at 2 µs and a back-wall echo 2.71 µs later (4 mm at 2950 m/s there and back)."""
    time_us = np.arange(400) / 50
    samples = 0.002 * rng.standard_normal(400)
    for at_us, height in ((2.0, 1.0), (2.0 + 2 * 4.0 / 2.95, -0.4)):
        samples += (
            height * np.exp(-(((time_us - at_us) / 0.15) ** 2)) * np.cos(2 * np.pi * 5 * (time_us - at_us))
        )
    return samples


def csv_of(samples: np.ndarray, times: np.ndarray | None = None) -> str:
    times = np.arange(samples.size) / 50 if times is None else times
    return "time_us,amplitude\n" + "".join(f"{t:.4f},{v:.6g}\n" for t, v in zip(times, samples, strict=True))


def bad_taps(rng: np.random.Generator) -> dict[str, tuple[bytes | np.ndarray, str, str]]:
    """What is at each point instead of a good recording; its reason; what its line says."""
    good = tap_sound(rng)
    return {
        "TP-01-01": (b"", "unreadable", r"is empty \(0 bytes\)"),
        "TP-01-02": (b"RIFF", "unreadable", "breaks off inside its header"),
        "TP-01-03": (b"time_us,amplitude\n0,1\n", "unreadable", "it looks like a CSV trace"),
        "TP-01-04": (np.zeros(0), "unreadable", "holds a header and no sound"),
        "TP-01-05": (np.full(RATE_HZ, np.nan), "not finite", "no usable tap: not finite"),
        "TP-01-06": (np.zeros(RATE_HZ), "silent", "no usable tap: silent"),
        "TP-02-01": (np.clip(200 * good, -1, 1), "clipped", "no usable tap: clipped"),
        "TP-02-02": (b"cut", "unreadable", r"is cut short: its header claims [0-9,]+ bytes of sound and"),
    }


BAD_TRACES = {
    "US-01-01": ("", "unreadable", r"is empty \(0 bytes\)"),
    "US-01-02": (
        "time_us,amplitude\n0,1\n1,high\n",
        "unreadable",
        "line 3: amplitude 'high' is not a number",
    ),
    "US-01-03": ("time_us,depth\n0,1\n1,2\n", "unreadable", "has no amplitude column"),
    "US-01-04": ("time_us,amplitude\n0,1\n1,2\n5,1\n6,1\n", "unreadable", "uneven time base"),
    "US-01-05": ("time_us,amplitude\n0,1\n", "unreadable", "too few for a trace"),
}


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    root = tmp_path_factory.mktemp("bad") / "my-part"
    for name in ("taps", "ascans"):
        (root / name).mkdir(parents=True)
    (root / "inspection.toml").write_text(PLAN, encoding="utf-8")
    rng = np.random.default_rng(7)
    for station in range(1, 9):
        for position in range(1, 7):
            path = root / "taps" / f"TP-{station:02d}-{position:02d}.wav"
            soundfile.write(str(path), tap_sound(rng), RATE_HZ)
    cut = (root / "taps" / "TP-02-02.wav").read_bytes()[:5000]
    for name, (content, _, _) in bad_taps(rng).items():
        path = root / "taps" / f"{name}.wav"
        if isinstance(content, bytes):
            path.write_bytes(cut if content == b"cut" else content)
        else:
            soundfile.write(
                str(path), content, RATE_HZ, subtype="FLOAT" if np.isnan(content).any() else "PCM_16"
            )
    # Stereo, another depth and another rate are no faults.
    stereo = np.stack([0.01 * tap_sound(rng), tap_sound(rng)], axis=1)
    soundfile.write(str(root / "taps" / "TP-03-01.wav"), stereo, RATE_HZ)
    soundfile.write(str(root / "taps" / "TP-03-02.wav"), tap_sound(rng), RATE_HZ, subtype="PCM_24")
    soundfile.write(str(root / "taps" / "TP-03-03.wav"), tap_sound(rng, 192_000), 192_000)
    (root / "taps" / "TP-03-04.wav").unlink()
    soundfile.write(str(root / "taps" / "TP-03-05.wav"), tap_sound(rng, 8000), 8000)
    for station in range(1, 7):
        for position in range(1, 6):
            path = root / "ascans" / f"US-{station:02d}-{position:02d}.csv"
            path.write_text(csv_of(trace_samples(rng)), encoding="utf-8")
    for name, (text, _, _) in BAD_TRACES.items():
        (root / "ascans" / f"{name}.csv").write_text(text, encoding="utf-8")
    (root / "ascans" / "US-02-01.csv").write_text(csv_of(np.full(400, np.nan)), encoding="utf-8")
    (root / "ascans" / "US-02-02.csv").write_text(csv_of(np.zeros(400)), encoding="utf-8")
    return tapscan.analyse(tapscan.open_inspection(root))


def at(results, name: str) -> tuple[str, str]:
    zone, station, position = name.split("-")
    (screened,) = [one for one in results.screened if one.zone.code == zone]
    index = int(station) - 1, int(position) - 1
    return str(screened.status[index]), str(screened.reason[index])


def line_of(results, file: str) -> str:
    lines = [line for line in results.summary["warnings"] if line.startswith(f"{file}: ")]
    assert len(lines) == 1, lines
    assert "\n" not in lines[0]
    return lines[0]


@pytest.mark.parametrize("name", bad_taps(np.random.default_rng(0)))
def test_a_bad_recording_leaves_its_point_unread_with_a_reason_and_a_line(results, name):
    _, reason, message = bad_taps(np.random.default_rng(0))[name]
    assert at(results, name) == (UNREAD, reason)
    assert re.search(message, line_of(results, f"taps/{name}.wav"))


@pytest.mark.parametrize("name", BAD_TRACES)
def test_a_bad_trace_leaves_its_point_unread_with_a_reason_and_a_line(results, name):
    _, reason, message = BAD_TRACES[name]
    assert at(results, name) == (UNREAD, reason)
    assert re.search(message, line_of(results, f"ascans/{name}.csv"))


@pytest.mark.parametrize(
    ("name", "reasons"), [("US-02-01", {"not finite"}), ("US-02-02", {"silent", "no echo"})]
)
def test_a_trace_that_shows_nothing_is_unread(results, name, reasons):
    status, reason = at(results, name)
    assert status == UNREAD
    assert reason in reasons


def test_a_point_without_a_file_is_unread_as_missing(results):
    assert at(results, "TP-03-04") == (UNREAD, "missing")


@pytest.mark.parametrize("name", ["TP-03-01", "TP-03-02", "TP-03-03"])
def test_stereo_other_depths_and_other_rates_are_read(results, name):
    status, reason = at(results, name)
    assert status in {CLEAR, SUSPECT}
    assert reason == ""


def test_a_recorder_much_slower_than_the_others_cannot_be_compared(results):
    assert at(results, "TP-03-05") == (UNREAD, "sampled too slowly")
    (line,) = [line for line in results.summary["warnings"] if "TP-03-05" in line]
    assert "record it again at the rate of the others" in line


def test_the_rest_goes_on(results):
    tapped, scanned = results.screened
    assert tapped.count(UNREAD) == len(bad_taps(np.random.default_rng(0))) + 2
    assert scanned.count(UNREAD) == len(BAD_TRACES) + 2
    for screened in (tapped, scanned):
        assert screened.count(CLEAR) > 2 * screened.count(SUSPECT)
        assert (screened.status == CLEAR)[5:].any()


def test_no_unread_point_has_features_or_a_score(results):
    for screened in results.screened:
        unread = screened.status == UNREAD
        assert np.isnan(screened.score[unread]).all()
        assert all(
            np.isnan(values[unread]).all() for name, values in screened.features.items() if name != "n_taps"
        )


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (np.zeros((5, 6, 400)), "stations and positions are swapped"),
        (np.zeros((6, 5, 400), complex), "complex numbers, not a real signal"),
        (np.full((6, 5, 2), {"a": 1}, dtype=object), "pickled Python objects"),
        (np.zeros((6, 5, 0)), "has 0 samples per trace"),
        (b"", r"is empty \(0 bytes\)"),
        (b"\x93NUMPY\x01\x00", "has a damaged .npy header"),
    ],
)
def test_a_bad_volume_leaves_its_zone_unread_and_the_rest_goes_on(tmp_path: Path, values, message):
    for name in ("taps", "ascans"):
        (tmp_path / name).mkdir()
    (tmp_path / "inspection.toml").write_text(PLAN, encoding="utf-8")
    if isinstance(values, bytes):
        (tmp_path / "ascans" / "US.npy").write_bytes(values)
    else:
        np.save(tmp_path / "ascans" / "US.npy", values, allow_pickle=True)
    rng = np.random.default_rng(3)
    other = np.array([[trace_samples(rng) for _ in range(6)] for _ in range(8)], np.float32)
    np.save(tmp_path / "ascans" / "TP.npy", other)
    results = tapscan.analyse(tapscan.open_inspection(tmp_path))
    assert re.search(message, line_of(results, "ascans/US.npy"))
    by_zone = {(one.zone.code, one.method): one for one in results.screened}
    assert by_zone["US", "ascan"].count(UNREAD) == 30
    assert by_zone["TP", "ascan"].count(UNREAD) == 0


def test_a_zone_without_any_reading_is_missing_as_a_whole_and_the_others_go_on(tmp_path: Path):
    (tmp_path / "taps").mkdir()
    (tmp_path / "inspection.toml").write_text(PLAN, encoding="utf-8")
    rng = np.random.default_rng(5)
    for station in range(1, 9):
        for position in range(1, 7):
            path = tmp_path / "taps" / f"TP-{station}-{position}.wav"
            soundfile.write(str(path), tap_sound(rng), RATE_HZ)
    results = tapscan.analyse(tapscan.open_inspection(tmp_path))
    by_zone = {(one.zone.code, one.method): one for one in results.screened}
    assert by_zone["TP", "tap"].count(UNREAD) == 0
    for (code, _), screened in by_zone.items():
        if code == "US":
            assert screened.count(UNREAD) == 30
            assert (screened.reason == "missing").all()
