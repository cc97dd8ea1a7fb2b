from pathlib import Path

import numpy as np
import pytest

import tapscan
from tapscan.plan import point_name
from tapscan.records import Inspection, open_inspection
from tapscan.screening.echoes.readings import EchoReadings, read_ascans
from tapscan.synth import Defect
from tests.screening.parts import write_scanned
from tests.signals import layers


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_scanned(tmp_path / "part", extra='skip = ["20-16"]')


def read(folder: Path | Inspection) -> tuple[EchoReadings, list[str]]:
    inspection = folder if isinstance(folder, Inspection) else open_inspection(folder)
    warnings: list[str] = []
    return read_ascans(inspection, inspection.plan.zones[0], warnings, lambda *_: None), warnings


def as_traces(folder: Path, rate_mhz: float = 100.0) -> np.ndarray:
    """Turn the volume into one CSV for each point."""
    volume = np.load(folder / "ascans/SP.npy")
    (folder / "ascans/SP.npy").unlink()
    for i, p in np.ndindex(volume.shape[:2]):
        if (i, p) != (19, 15):  # skipped
            write_trace(folder, (i, p), volume[i, p], rate_mhz)
    return volume


def write_trace(folder: Path, at: tuple[int, int], samples: np.ndarray, rate_mhz: float = 100.0) -> None:
    lines = (f"{k / rate_mhz:.6f},{float(v):.9g}\n" for k, v in enumerate(samples))
    name = point_name("SP", at[0] + 1, at[1] + 1)
    (folder / f"ascans/{name}.csv").write_text("time_us,amplitude\n" + "".join(lines), encoding="utf-8")


def test_a_volume_is_read_in_place(folder):
    readings, warnings = read(folder)
    assert warnings == []
    assert isinstance(readings.traces, np.memmap)
    assert readings.traces.shape == (20, 16, 320)
    assert readings.sample_rate_hz == 100e6
    assert (readings.reason == "").all()
    assert readings.echoes.tof_s.shape == (20, 16)


def test_single_traces_give_what_the_volume_gives(folder):
    whole, _ = read(folder)
    as_traces(folder)
    single, warnings = read(folder)
    assert warnings == []
    planned = np.ones((20, 16), dtype=bool)
    planned[19, 15] = False
    np.testing.assert_allclose(single.traces[planned], whole.traces[planned], rtol=1e-6)
    for name in ("tof_s", "backwall_db", "front_s"):
        there, here = (getattr(each.echoes, name)[planned] for each in (single, whole))
        # A level near 0 dB has no relative error: a thousandth of a decibel is a ten-thousandth of its echo.
        atol = 1e-3 if name == "backwall_db" else 0
        np.testing.assert_allclose(there, here, rtol=1e-4, atol=atol, err_msg=name)


def test_a_trace_that_is_not_finite_is_unread_and_the_rest_goes_on(folder):
    volume = np.load(folder / "ascans/SP.npy")
    volume[3, 4], volume[3, 5, 100], volume[5, 5] = np.nan, np.inf, 0.0
    np.save(folder / "ascans/SP.npy", volume)
    readings, _ = read(folder)
    assert list(readings.reason[3, 4:6]) == ["not finite", "not finite"]
    assert readings.reason[5, 5] == "silent"
    assert (readings.reason != "").sum() == 3


@pytest.mark.parametrize("content", [b"", b"no numpy file", None], ids=["empty", "text", "shape"])
def test_a_volume_that_cannot_be_read_leaves_every_point_unread(folder, content):
    if content is None:
        np.save(folder / "ascans/SP.npy", np.zeros((3, 3, 8)))
    else:
        (folder / "ascans/SP.npy").write_bytes(content)
    readings, (warning,) = read(folder)
    assert warning.startswith("ascans/SP.npy: ")
    unread = readings.reason == "unreadable"
    assert unread.sum() == 20 * 16 - 1
    assert readings.reason[19, 15] == ""  # skipped on purpose


def test_a_trace_of_another_rate_is_left_out_and_named(folder):
    volume = as_traces(folder)
    write_trace(folder, (4, 4), volume[4, 4], rate_mhz=50.0)
    readings, warnings = read(folder)
    assert readings.reason[4, 4] == "other sample rate"
    assert (readings.reason != "").sum() == 1
    (warning,) = warnings
    assert warning == (
        "ascans/SP-05-05.csv: is sampled at 50 MHz, the zone's others at 100 MHz "
        "(record it again with the setting of the others)"
    )
    assert np.isnan(readings.traces[4, 4]).all()


def test_the_rate_of_most_traces_counts(folder):
    volume = as_traces(folder)
    for i, p in np.ndindex(20, 16):
        if i > 3 and (i, p) != (19, 15):
            write_trace(folder, (i, p), volume[i, p], rate_mhz=50.0)
    readings, warnings = read(folder)
    assert readings.sample_rate_hz == pytest.approx(50e6)
    assert (readings.reason == "other sample rate").sum() == 4 * 16
    assert len(warnings) == 4 * 16


def test_points_without_a_trace_are_missing(folder):
    as_traces(folder)
    (folder / "ascans/SP-05-05.csv").unlink()
    readings, warnings = read(folder)
    assert warnings == []
    assert readings.reason[4, 4] == "missing"
    assert (readings.reason != "").sum() == 1


def test_a_zone_of_nothing_but_bad_traces(folder):
    as_traces(folder)
    for path in (folder / "ascans").iterdir():
        path.write_text("", encoding="utf-8")
    readings, warnings = read(folder)
    assert (readings.reason == "unreadable").sum() == 20 * 16 - 1 == len(warnings)


def test_a_trace_that_ends_before_its_back_wall_is_unread_and_named(folder):
    volume = as_traces(folder)
    write_trace(folder, (4, 4), volume[4, 4][:120])
    results = tapscan.analyse(open_inspection(folder))
    (result,) = results.screened
    assert (result.status[4, 4], result.reason[4, 4]) == ("unread", "too short")
    assert (result.status != "clear").sum() == 2  # and the skipped one
    (warning,) = (text for text in results.summary["warnings"] if "ends before" in text)
    assert warning == (
        "zone SP: 1 trace ends before its back wall could arrive, at SP-05-05 "
        "(record again with a longer time axis, or check thickness_mm and velocity_m_s)"
    )


def test_a_time_axis_too_short_for_the_whole_zone_leaves_every_point_unread(folder):
    volume = np.load(folder / "ascans/SP.npy")
    np.save(folder / "ascans/SP.npy", volume[..., :130])
    readings, warnings = read(folder)
    assert (readings.reason[:19] == "too short").all()
    (warning,) = warnings
    assert "319 traces end before their back wall could arrive, the first at SP-01-01" in warning


def test_an_echo_from_inside_counts_though_the_trace_ends_early(tmp_path):
    folder = write_scanned(tmp_path / "part", (Defect(x_mm=27.0, s_mm=27.0, radius_mm=9.0, depth_mm=0.8),))
    whole, _ = read(folder)
    at = np.argwhere(np.isfinite(whole.echoes.echo_s) & ~np.isfinite(whole.echoes.tof_s))[0]
    volume = np.load(folder / "ascans/SP.npy")
    end_s = whole.echoes.front_s[tuple(at)] + whole.echoes.echo_s[tuple(at)] + 0.35e-6
    volume[(*at, slice(int(end_s * 100e6), None))] = np.nan
    np.save(folder / "ascans/SP.npy", volume)
    (result,) = tapscan.analyse(open_inspection(folder)).screened
    assert result.status[tuple(at)] == "suspect"


def test_a_trace_that_ends_after_its_back_wall_is_as_good_as_the_others(folder):
    volume = as_traces(folder)
    write_trace(folder, (4, 4), volume[4, 4][:300])
    readings, warnings = read(folder)
    assert warnings == []
    assert (readings.reason == "").all()
    assert readings.echoes.tof_s[4, 4] == pytest.approx(2 * 1.6e-3 / 2950, rel=0.01)


def test_the_order_of_the_files_changes_nothing(folder):
    as_traces(folder)
    inspection = open_inspection(folder)
    backward = Inspection(
        inspection.folder,
        inspection.plan,
        inspection.tap_files,
        inspection.volumes,
        dict(reversed(inspection.trace_files.items())),
        inspection.warnings,
    )
    plain, _ = read(inspection)
    there, _ = read(backward)
    np.testing.assert_array_equal(there.traces, plain.traces)
    np.testing.assert_array_equal(there.echoes.tof_s, plain.echoes.tof_s)


def test_progress_runs_to_the_end(folder):
    inspection, steps = open_inspection(folder), []
    read_ascans(inspection, inspection.plan.zones[0], [], lambda done, total: steps.append((done, total)))
    assert steps[-1] == (320, 320)
    assert steps == sorted(steps)


@pytest.mark.parametrize("lost_us", [0.10, 0.12])
def test_traces_that_begin_in_their_front_surface_echo_are_unread_and_named(folder, lost_us):
    # A layered wall that shares no model with the package; its front-surface echo begins at 1.00 µs.
    wall = layers.reflection(layers.axis_hz(512, 100e6), layers.stack(1.6))
    rng = np.random.default_rng(1)
    size = np.abs(layers.traces(wall[None], [1e-6], 512, 100e6)).max()
    begin_s = np.full(320, 0.5e-6)
    begin_s[:40] = -lost_us * 1e-6
    whole = layers.traces(np.tile(wall, (320, 1)), begin_s + 1e-6, 512, 100e6)[:, 100:420]
    volume = (whole + rng.normal(0, 0.005 * size, whole.shape)).reshape(20, 16, 320).astype(np.float32)
    np.save(folder / "ascans/SP.npy", volume)
    readings, warnings = read(folder)
    cut = np.zeros(320, dtype=bool)
    cut[:40] = True
    assert ((readings.reason == "front cut off").ravel() == cut).all()
    assert np.isnan(readings.echoes.tof_s.ravel()[cut]).all()
    assert np.isfinite(readings.echoes.tof_s.ravel()[~cut]).all()
    (warning,) = warnings
    assert warning == (
        "zone SP: 40 traces begin in the midst of their front-surface echo, the first at SP-01-01 "
        "(record again with the delay set so that the front-surface echo is whole)"
    )


@pytest.mark.parametrize("lost_us", [0.10, 0.12])
def test_a_whole_zone_that_lost_its_front_is_unread(folder, lost_us):
    wall = layers.reflection(layers.axis_hz(512, 100e6), layers.stack(1.6))
    whole = layers.traces(np.tile(wall, (320, 1)), np.full(320, (1 - lost_us) * 1e-6), 512, 100e6)[:, 100:420]
    noise = np.random.default_rng(2).normal(0, 0.005 * np.abs(whole).max(), whole.shape)
    np.save(folder / "ascans/SP.npy", (whole + noise).reshape(20, 16, 320).astype(np.float32))
    readings, _ = read(folder)
    assert (readings.reason.ravel()[:-1] == "front cut off").all()


@pytest.mark.parametrize("begin_us", [0.0, 0.05, 0.3])
def test_a_front_surface_echo_that_begins_with_the_trace_is_whole(folder, begin_us):
    wall = layers.reflection(layers.axis_hz(512, 100e6), layers.stack(1.6))
    traces = layers.traces(np.tile(wall, (320, 1)), np.full(320, begin_us * 1e-6), 512, 100e6)[:, :320]
    noise = np.random.default_rng(3).normal(0, 0.005 * np.abs(traces).max(), traces.shape)
    np.save(folder / "ascans/SP.npy", (traces + noise).reshape(20, 16, 320).astype(np.float32))
    readings, warnings = read(folder)
    assert (readings.reason == "").all()
    assert warnings == []


def test_a_drifting_front_that_is_cut_near_a_zero_crossing_is_reported_by_its_zone(folder):
    wall = layers.reflection(layers.axis_hz(512, 100e6), layers.stack(1.6))
    begin_s = np.random.default_rng(4).uniform(0.75e-6, 0.95e-6, 320)
    traces = layers.traces(np.tile(wall, (320, 1)), begin_s, 512, 100e6)[:, 100:420]
    noise = np.random.default_rng(5).normal(0, 0.005 * np.abs(traces).max(), traces.shape)
    np.save(folder / "ascans/SP.npy", (traces + noise).reshape(20, 16, 320).astype(np.float32))
    readings, _ = read(folder)
    assert (readings.reason == "front cut off").mean() > 0.9
