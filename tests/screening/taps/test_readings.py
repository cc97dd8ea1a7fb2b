"""From files to taps in bands: what counts, what leaves a point unread, and what is said of it."""

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapscan.records import Inspection, open_inspection
from tapscan.screening.taps import readings as module
from tapscan.screening.taps.readings import TAP_COLUMNS, TapReadings, read_taps
from tapscan.signals.taps.bands import BAND_EDGES_HZ, RINGING_S, STRIKE_S

DEMO = Path(__file__).resolve().parents[3] / "recordings_demo"
RATE_HZ = 24_000
PLAN = """
[tap]
taps_per_point = 3

[[zone]]
code = "TP"
shape = "panel"
stations = 4
positions = 3
station_pitch_mm = 10.0
position_pitch_mm = 10.0
skip = ["04-03"]
"""


def sound(*notes_hz: float, rate_hz: int = RATE_HZ, gain: float = 1.0, seed: int = 0) -> np.ndarray:
    """One tap for each note, 0.3 s apart, with a quiet moment before the first."""
    rng = np.random.default_rng(seed)
    samples = 1e-5 * rng.standard_normal(round((0.2 + 0.3 * len(notes_hz)) * rate_hz))
    time_s = np.arange(round(0.2 * rate_hz)) / rate_hz
    for number, note_hz in enumerate(notes_hz):
        start = round((0.1 + 0.3 * number) * rate_hz)
        ring = 0.4 * np.exp(-0.02 * 2 * np.pi * note_hz * time_s) * np.sin(2 * np.pi * note_hz * time_s)
        samples[start : start + time_s.size] += ring
    return gain * samples


def save(folder: Path, name: str, samples: np.ndarray, rate_hz: int = RATE_HZ) -> None:
    soundfile.write(str(folder / f"taps/{name}.wav"), samples, rate_hz, subtype="FLOAT")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three taps at every point but the skipped one, the notes rising along the panel."""
    (tmp_path / "taps").mkdir()
    (tmp_path / "inspection.toml").write_text(PLAN, encoding="utf-8")
    for station in range(1, 5):
        for position in range(1, 4):
            if (station, position) != (4, 3):
                notes = 1000 + 300 * station + 50 * position + np.array([0, 40, 10])
                save(
                    tmp_path, f"TP-{station:02d}-{position:02d}", sound(*notes, seed=10 * station + position)
                )
    return tmp_path


def read(folder: Path | Inspection) -> tuple[TapReadings, list[str]]:
    inspection = folder if isinstance(folder, Inspection) else open_inspection(folder)
    warnings: list[str] = []
    return read_taps(inspection, inspection.plan.zones[0], warnings, lambda *_: None), warnings


def rows(readings: TapReadings, station: int, position: int) -> np.ndarray:
    """Rows of the table of taps that belong to a point, counted from 1."""
    return np.flatnonzero(readings.taps.at == (station - 1) * 3 + position - 1)


def same(one: TapReadings, other: TapReadings) -> None:
    np.testing.assert_array_equal(one.reason, other.reason)
    np.testing.assert_array_equal(one.n_taps, other.n_taps)
    for name in ("at", "strike", "ringing", "room"):
        np.testing.assert_array_equal(getattr(one.taps, name), getattr(other.taps, name))
    for name in TAP_COLUMNS:
        np.testing.assert_array_equal(one.features[name], other.features[name])


def test_a_point_is_the_median_of_its_taps(folder):
    readings, warnings = read(folder)
    assert warnings == []
    assert set(readings.features) == set(TAP_COLUMNS)
    station, position = np.indices((4, 3)) + 1
    notes = np.where((station == 4) & (position == 3), np.nan, 1000 + 300 * station + 50 * position + 10)
    # The strongest line of a damped oscillator is ζ²  below its natural frequency: 0.04 %.
    np.testing.assert_allclose(readings.features["peak_hz"], notes, rtol=2e-3)
    np.testing.assert_allclose(readings.features["damping_ratio"], notes * 0 + 0.02, rtol=0.05)
    assert (readings.n_taps == np.where(np.isnan(notes), 0, 3)).all()
    assert (readings.reason == "").all()
    np.testing.assert_array_equal(np.bincount(readings.taps.at, minlength=12), readings.n_taps.ravel())
    assert (np.diff(readings.taps.at) >= 0).all()


def test_the_skipped_point_has_no_reason_and_the_missing_one_has(folder):
    (folder / "taps/TP-02-02.wav").unlink()
    readings, warnings = read(folder)
    assert warnings == []
    assert readings.reason[1, 1] == "missing"
    assert (readings.reason != "").sum() == 1
    assert readings.n_taps[1, 1] == 0
    assert rows(readings, 2, 2).size == 0
    assert np.isnan(readings.features["centroid_hz"][1, 1])


@pytest.mark.parametrize(("notes", "words"), [((1400,), "1 usable tap"), ((1400, 1450), "2 usable taps")])
def test_a_point_with_fewer_taps_is_kept_and_named(folder, notes, words):
    save(folder, "TP-02-02", sound(*notes))
    readings, (warning,) = read(folder)
    assert readings.n_taps[1, 1] == len(notes)
    assert readings.reason[1, 1] == ""
    assert warning == (
        f"taps/TP-02-02.wav: {words}, the plan asks for 3; the point is kept with {len(notes)} "
        f"(record it again, or set tap.taps_per_point = {len(notes)})"
    )


def test_more_recordings_at_a_point_count_together(folder):
    save(folder, "TP-02-02", sound(1400))
    save(folder, "TP-02-02_2", sound(1500, 1600))
    readings, warnings = read(folder)
    assert warnings == []
    assert readings.n_taps[1, 1] == 3
    assert readings.features["peak_hz"][1, 1] == pytest.approx(1500, rel=2e-3)


def test_a_bad_recording_beside_a_good_one_is_named_and_does_not_spoil_it(folder):
    save(folder, "TP-02-02_2", np.zeros(RATE_HZ))
    readings, warnings = read(folder)
    assert readings.n_taps[1, 1] == 3
    assert readings.reason[1, 1] == ""
    assert warnings == ["taps/TP-02-02_2.wav: no usable tap: silent (record the point again)"]


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        (np.zeros(RATE_HZ), "silent"),
        (np.full(RATE_HZ, np.nan), "not finite"),
        (np.clip(60 * sound(1400, 1450, 1500), -1, 1), "clipped"),
    ],
    ids=["silent", "not finite", "clipped"],
)
def test_an_unusable_recording_leaves_its_point_unread(folder, samples, reason):
    save(folder, "TP-02-02", samples)
    readings, warnings = read(folder)
    assert readings.reason[1, 1] == reason
    assert (readings.reason != "").sum() == 1
    assert warnings == [f"taps/TP-02-02.wav: no usable tap: {reason} (record the point again)"]


def test_a_file_that_is_no_recording_leaves_its_point_unread(folder):
    (folder / "taps/TP-02-02.wav").write_bytes(b"RIFF and no more")
    readings, (warning,) = read(folder)
    assert readings.reason[1, 1] == "unreadable"
    assert warning.startswith("taps/TP-02-02.wav: ")


def test_a_recording_that_was_sampled_too_slowly_is_left_out(folder):
    save(folder, "TP-02-02", sound(1400, 1450, 1500, rate_hz=8000), 8000)
    readings, (mixed, warning) = read(folder)
    assert "from different recorders (lossless at 24,000 Hz, lossless at 8,000 Hz)" in mixed
    assert readings.reason[1, 1] == "sampled too slowly"
    assert warning == (
        "taps at TP-02-02: sampled too slowly: heard up to 3,588 Hz, the zone's others 9,320 Hz "
        "(record it again at the rate of the others)"
    )
    # The others keep their whole band.
    assert rows(readings, 2, 2).size == 0
    heard = BAND_EDGES_HZ[1:] < RATE_HZ * 20 / 44.1
    assert (np.isfinite(readings.taps.strike) == heard).all()


def test_a_recording_at_a_higher_rate_takes_part(folder):
    save(folder, "TP-02-02", sound(1710, 1750, 1720, rate_hz=48_000), 48_000)
    readings, (mixed,) = read(folder)
    assert "from different recorders (lossless at 24,000 Hz, lossless at 48,000 Hz)" in mixed
    assert readings.features["peak_hz"][1, 1] == pytest.approx(1720, rel=2e-3)
    own = readings.taps.strike[rows(readings, 2, 2)]
    assert own.shape == (3, BAND_EDGES_HZ.size - 1)
    assert np.isfinite(own).all()


def test_the_order_of_the_files_changes_nothing(folder):
    inspection = open_inspection(folder)
    backward = Inspection(
        inspection.folder,
        inspection.plan,
        dict(reversed(inspection.tap_files.items())),
        inspection.volumes,
        inspection.trace_files,
        inspection.warnings,
    )
    same(read(backward)[0], read(inspection)[0])


@pytest.mark.parametrize("batch", [1, 4, 7])
def test_the_size_of_the_batches_changes_nothing(folder, monkeypatch, batch):
    whole, _ = read(folder)
    monkeypatch.setattr(module, "BATCH_TAPS", batch)
    same(read(folder)[0], whole)


def test_gain_moves_the_level_alone(folder):
    plain, _ = read(folder)
    for path in (folder / "taps").iterdir():
        samples, rate_hz = soundfile.read(str(path))
        soundfile.write(str(path), samples / 4, rate_hz, subtype="FLOAT")
    quiet, _ = read(folder)
    for name in ("strike", "ringing", "room"):
        np.testing.assert_allclose(
            getattr(quiet.taps, name), getattr(plain.taps, name) / 16, rtol=1e-4, atol=1e-18
        )
    np.testing.assert_allclose(
        quiet.features["level_db"], plain.features["level_db"] - 20 * np.log10(4), atol=1e-3
    )
    for name in ("centroid_hz", "peak_hz", "damping_ratio", "decay_time_s"):
        np.testing.assert_allclose(quiet.features[name], plain.features[name], rtol=1e-4)


def test_a_note_is_in_its_own_band_and_rings_as_long_as_it_does(folder):
    """A damped oscillator has exp(-4πζf t) of its energy left after t (elementary)."""
    readings, _ = read(folder)
    (first, *_) = rows(readings, 2, 2)
    strike, ringing = (getattr(readings.taps, name)[first] for name in ("strike", "ringing"))
    assert BAND_EDGES_HZ[np.nanargmax(strike)] < 1700 < BAND_EDGES_HZ[np.nanargmax(strike) + 1]
    left = [np.exp(-4 * np.pi * 0.02 * 1700 * t) for t in (STRIKE_S, STRIKE_S + RINGING_S)]
    expected = (left[0] - left[1]) / (1 - left[0])
    assert np.nansum(ringing) / np.nansum(strike) == pytest.approx(expected, rel=0.03)


def test_the_room_is_heard_before_the_taps(folder):
    """A hum that is there all along shows in the room's power of its own band, and not in the others."""
    time_s = np.arange(sound(1400, 1450, 1500).size) / RATE_HZ
    hum = 0.01 * np.sin(2 * np.pi * 5000 * time_s)
    save(folder, "TP-02-02", sound(1400, 1450, 1500) + hum)
    readings, _ = read(folder)
    room = readings.taps.room[rows(readings, 2, 2)[0]]
    band = int(np.searchsorted(BAND_EDGES_HZ, 5000)) - 1
    assert int(np.nanargmax(room)) == band
    # A sine of amplitude a has a power of a²/2; a frame of 8 ms spreads it over some 125 Hz.
    assert room[band] == pytest.approx(0.01**2 / 2, rel=0.1)
    assert room[band] > 100 * np.nanmedian(room)


def test_no_quiet_before_the_first_tap_leaves_the_room_unknown(folder):
    samples = sound(1400, 1450, 1500)
    save(folder, "TP-02-02", samples[round(0.09 * RATE_HZ) :])
    readings, warnings = read(folder)
    assert warnings == []
    assert readings.reason[1, 1] == ""
    assert np.isnan(readings.taps.room[rows(readings, 2, 2)]).all()
    assert np.isfinite(readings.taps.room[rows(readings, 1, 1)]).any()


def test_noise_alone_takes_no_point_away(folder):
    """A rumble far louder than the taps leaves them readable where they are above it."""
    rng = np.random.default_rng(4)
    plain = 0.05 * sound(3400, 3450, 3500)
    rumble = np.cumsum(rng.standard_normal(plain.size))
    rumble -= np.convolve(rumble, np.ones(600) / 600, mode="same")
    save(folder, "TP-02-02", plain + 0.004 * rumble / rumble.std())
    readings, _ = read(folder)
    assert readings.reason[1, 1] == ""
    taps = rows(readings, 2, 2)
    assert taps.size == 3
    low = readings.taps.strike[taps, 0] / (readings.taps.room[taps, 0] * STRIKE_S)
    assert (low < 10).all()


def test_two_microphones_in_one_zone_are_pointed_out(folder):
    good = sound(1400, 1450, 1500)
    save(folder, "TP-02-02", np.column_stack([0.01 * good, good]))
    readings, (warning,) = read(folder)
    assert readings.reason[1, 1] == ""
    assert "two microphones hear differently" in warning


def test_no_recordings_at_all(folder):
    for path in (folder / "taps").iterdir():
        path.unlink()
    readings, warnings = read(folder)
    assert warnings == []
    assert (readings.reason == "missing").sum() == 11
    assert readings.taps.strike.shape == (0, BAND_EDGES_HZ.size - 1)
    assert (readings.n_taps == 0).all()


def test_progress_runs_to_the_end(folder):
    inspection, calls = open_inspection(folder), []
    read_taps(inspection, inspection.plan.zones[0], [], lambda done, total: calls.append((done, total)))
    assert calls == [(done, 11) for done in range(1, 12)]


def test_a_recording_that_was_copied_to_another_point_is_named(tmp_path):
    folder = tmp_path / "part"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("results", "ascans"))
    files = sorted((folder / "taps").glob("*.wav"))
    shutil.copy(files[3], files[4])
    inspection, warnings = open_inspection(folder), []
    zone = next(zone for zone in inspection.plan.zones if files[3].name.startswith(zone.code))
    read_taps(inspection, zone, warnings, lambda *_: None)
    assert (
        f"taps/{files[4].name}: is the same recording as taps/{files[3].name} (record the point that was not "
        "struck)"
    ) in warnings


def compress(folder: Path, name: str) -> None:
    """Replace a recording by what a phone would have made of it."""
    path = folder / f"taps/{name}.wav"
    samples, rate_hz = soundfile.read(path)
    soundfile.write(path.with_suffix(".ogg"), samples, rate_hz, format="OGG", subtype="VORBIS")
    path.unlink()


def test_bands_in_which_a_phone_writes_nothing_are_left_out_and_stated_once(folder, monkeypatch):
    for path in sorted((folder / "taps").iterdir()):
        compress(folder, path.stem)
    monkeypatch.setattr("tapscan.records.readers.phone.empty_above_hz", lambda *_: 5000.0)
    readings, warnings = read(folder)
    assert np.array_equal(readings.taps.heard, BAND_EDGES_HZ[1:] <= 5000.0)
    assert [line for line in warnings if line.startswith("zone")] == [
        (
            "zone TP: recordings: compressed with loss (Vorbis, 11 files), which alters spectra; empty above "
            "5.0 kHz, and bands above that are left out (record as WAV where the recorder can)"
        )
    ]
    # The strikes themselves are where they were: the notes are those of the lossless recordings.
    assert readings.features["peak_hz"][0, 0] == pytest.approx(1360, abs=60)


def test_the_room_of_a_phone_is_never_quieter_than_the_rounding_of_16_bits(folder):
    compress(folder, "TP-02-02")
    readings, _ = read(folder)
    room = rows_of_room(readings, 2, 2)
    width_hz = np.diff(BAND_EDGES_HZ)
    least = (2.0**-15) ** 2 / 12 * width_hz / (RATE_HZ / 2)
    heard = readings.taps.heard
    assert (room[:, heard] >= least[heard] * (1 - 1e-9)).all()


def rows_of_room(readings: TapReadings, station: int, position: int) -> np.ndarray:
    return readings.taps.room[readings.taps.at == (station - 1) * 3 + position - 1]


def test_different_recorders_in_one_zone_are_stated(folder):
    compress(folder, "TP-02-02")
    warnings = read(folder)[1]
    expected = (
        "zone TP: recordings: from different recorders (lossless at 24,000 Hz, Vorbis at 24,000 Hz), "
        "which may sound like damage (record a zone with one recorder)"
    )
    assert expected in warnings
