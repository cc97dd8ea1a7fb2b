"""The main job from folder to folder: what the files hold, and that nothing else sways them."""

import csv
import hashlib
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tapscan
from tapscan.analysis import Results
from tapscan.errors import TapscanError
from tapscan.plan.text.reading import parse_plan
from tapscan.records import Inspection
from tapscan.synth import (
    AScanScene,
    Defect,
    TapScene,
    ascan_files,
    simulate_ascans,
    simulate_taps,
    tap_files,
    write_inspection,
)
from tests.screening.parts import TAPS, WALL, analysed

PLAN = (
    WALL
    + """
[[zone]]
code = "BM"
name = "Boom"
shape = "tube"
stations = 7
positions = 8
station_pitch_mm = 10.0
girth_mm = 80.0
reference = ["01-07:02-02"]
skip = ["07-04:07-05"]

[[zone]]
code = "SP"
name = "Pan"
shape = "panel"
stations = 10
positions = 9
station_pitch_mm = 4.0
position_pitch_mm = 4.0

[tap]
taps_per_point = 2

[ascan]
sample_rate_mhz = 100.0
centre_frequency_mhz = 5.0

[analysis]
false_call_rate = 0.02
"""
)
SCENE = TapScene(**{name: getattr(TAPS, name) for name in TapScene.__slots__})
BASE = ["point", "zone", "station", "position", "x_mm", "s_mm", "method", "status", "reason"]
BASE += ["score", "p_value", "is_reference"]
OF_TAPS = [
    "n_taps",
    "centroid_hz",
    "peak_hz",
    "damping_ratio",
    "decay_time_s",
    "level_db",
    "snr_db",
    "damage_probability",
    "noise_db",
]
OF_ASCANS = ["tof_us", "depth_mm", "thickness_mm", "backwall_db", "echo_db"]  # and snr_db, in one column


@pytest.fixture(scope="module")
def part(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tapped tube and a scanned panel with a defect each, three bad readings and a stray file."""
    folder = tmp_path_factory.mktemp("analysis") / "my-part"
    tube, panel = parse_plan(PLAN).zones
    taps = tap_files(tube, simulate_taps(tube, [Defect(35, 40, 14, 0.5)], SCENE, seed=5))
    del taps["taps/BM-06-02.wav"]
    taps["taps/BM-05-01.wav"] = b""
    scene = AScanScene(samples=320)
    volume = simulate_ascans(panel, [Defect(20, 16, 8, 0.7)], scene, seed=5)
    samples = volume.samples.copy()
    samples[9, 8] = np.nan
    scans = ascan_files(panel, replace(volume, samples=samples))
    files = {"inspection.toml": PLAN.encode(), "taps/BM-99-01.wav": b"", **taps, **scans}
    write_inspection(folder, files)
    return folder


@pytest.fixture(scope="module")
def results(part: Path) -> Results:
    found = analysed(part)
    found.save()
    return found


@pytest.fixture(scope="module")
def rows(part: Path, results: Results) -> list[dict[str, str]]:  # noqa: ARG001 - they have been saved
    with (part / "results/points.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def written(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((folder / "results").iterdir())}


def copied(part: Path, folder: Path) -> Path:
    shutil.copytree(part, folder, ignore=shutil.ignore_patterns("results"))
    return folder


def everything(folder: Path) -> dict[str, tuple[int, bytes]]:
    return {
        str(path): (path.stat().st_mtime_ns, path.read_bytes())
        for path in folder.rglob("*")
        if path.is_file()
    }


# points.csv


def test_the_columns_are_in_the_order_of_the_contract(rows):
    assert list(rows[0]) == BASE + OF_TAPS + OF_ASCANS


def test_there_is_one_row_for_each_planned_point_and_method(rows):
    tube = [(f"BM-{i:02d}-{p:02d}", "tap") for i in range(1, 8) for p in range(1, 9)]
    tube = [row for row in tube if row[0] not in ("BM-07-04", "BM-07-05")]  # skipped
    panel = [(f"SP-{i:02d}-{p:02d}", "ascan") for i in range(1, 11) for p in range(1, 10)]
    assert [(row["point"], row["method"]) for row in rows] == tube + panel


def test_places_are_those_of_the_plan(rows):
    for row in rows:
        zone, station, position = row["point"].split("-")
        assert (row["zone"], int(row["station"]), int(row["position"])) == (zone, int(station), int(position))
        pitch_x, pitch_s = (10.0, 10.0) if zone == "BM" else (4.0, 4.0)
        assert float(row["x_mm"]) == pytest.approx((int(station) - 0.5) * pitch_x)
        assert float(row["s_mm"]) == pytest.approx((int(position) - 1) * pitch_s)


def test_unread_is_never_clear_and_has_a_reason_and_nothing_else(rows):
    unread = {row["point"]: row for row in rows if row["status"] == "unread"}
    assert {name: row["reason"] for name, row in unread.items()} == {
        "BM-05-01": "unreadable",
        "BM-06-02": "missing",
        "SP-10-09": "not finite",
    }
    for row in unread.values():
        assert all(row[name] == "" for name in ["score", "p_value", *OF_TAPS, *OF_ASCANS])
    for row in rows:
        if row["status"] != "unread":
            assert row["status"] in ("clear", "suspect")
            assert row["reason"] == ""
            assert float(row["score"]) >= 0
            assert 0 <= float(row["p_value"]) <= 1


def test_features_belong_to_their_method(rows):
    for row in rows:
        if row["status"] == "unread":
            continue
        others = OF_ASCANS if row["method"] == "tap" else [name for name in OF_TAPS if name != "snr_db"]
        assert all(row[name] == "" for name in others)
        assert float(row["snr_db"]) > 0
        if row["method"] == "tap":
            assert all(row[name] != "" for name in OF_TAPS)
            assert row["n_taps"] == "2"


def test_depth_is_reported_where_there_is_an_echo_inside(rows):
    depths = {row["point"]: row["depth_mm"] for row in rows if row["method"] == "ascan"}
    result = [float(depth) for depth in depths.values() if depth]
    assert 5 < len(result) < 40
    assert np.median(result) == pytest.approx(0.7, abs=0.05)
    assert depths["SP-01-01"] == ""


def test_marked_points_are_named_across_the_seam(rows):
    marked = {row["point"] for row in rows if row["is_reference"] == "true"}
    assert marked == {f"BM-{i:02d}-{p:02d}" for i in (1, 2) for p in (7, 8, 1, 2)}
    assert {row["is_reference"] for row in rows} == {"true", "false"}


# indications.json


def test_indications_hold_the_keys_of_the_contract(part, results):
    found = json.loads((part / "results/indications.json").read_text(encoding="utf-8"))
    assert [one["id"] for one in found] == ["BM-T1", "SP-A1"]
    keys = "id zone method points area_mm2 area_low_mm2 area_high_mm2 x_mm s_mm"
    keys += " depth_mm peak_point score outline"
    for one, own in zip(found, results.indications, strict=True):
        assert set(keys.split()) <= set(one)
        assert one["points"] == list(own.points)
        assert one["peak_point"] in one["points"]
        assert len(one["x_mm"]) == len(one["s_mm"]) == 2
        assert all(len(point) == 2 for ring in one["outline"] for point in ring)
    assert found[0]["depth_mm"] is None
    assert found[1]["depth_mm"] == pytest.approx(0.7, abs=0.05)


def test_points_of_an_indication_are_suspect(rows, results):
    status = {(row["point"], row["method"]): row["status"] for row in rows}
    for one in results.indications:
        assert {status[point, one.method] for point in one.points} == {"suspect"}


# summary.json


@pytest.fixture
def summary(part: Path, results: Results) -> dict:  # noqa: ARG001 - they have been saved
    return json.loads((part / "results/summary.json").read_text(encoding="utf-8"))


def test_counts_add_up(summary, rows):
    tube, panel = summary["counts"]
    assert (tube["zone"], tube["method"], panel["zone"], panel["method"]) == ("BM", "tap", "SP", "ascan")
    assert tube["clear"] + tube["suspect"] + tube["unread"] + tube["skipped"] == 7 * 8
    assert panel["clear"] + panel["suspect"] + panel["unread"] + panel["skipped"] == 10 * 9
    assert (tube["unread"], tube["skipped"], panel["unread"], panel["skipped"]) == (2, 2, 1, 0)
    for row in (tube, panel):
        for status in ("clear", "suspect", "unread"):
            own = [r for r in rows if r["zone"] == row["zone"] and r["status"] == status]
            assert row[status] == len(own)
        assert row["indications"] == 1
        assert row["baseline"].endswith(".")


def test_warnings_are_kept(summary, results):
    assert summary["warnings"] == results.summary["warnings"]
    assert [line.split(": ")[0] for line in summary["warnings"]] == ["taps/BM-99-01.wav", "taps/BM-05-01.wav"]


def test_checksums_are_those_of_the_inputs(summary, part):
    names = {path.relative_to(part).as_posix(): path for path in part.rglob("*.*") if path.is_file()}
    inputs = {
        name: path
        for name, path in names.items()
        if not name.startswith("results/") and name != "taps/BM-99-01.wav"  # fits no point, is no input
    }
    assert summary["inputs"] == {
        name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in inputs.items()
    }
    assert list(summary["inputs"]) == sorted(summary["inputs"])


def test_version_and_settings_as_used(summary):
    assert summary["version"] == tapscan.__version__
    settings = summary["settings"]
    assert settings["false_call_rate"] == 0.02
    assert settings["taps_per_point"] == 2
    assert settings["sample_rate_mhz"] == 100.0
    assert [zone["code"] for zone in settings["zones"]] == ["BM", "SP"]
    assert settings["zones"][0]["laminate"]["velocity_m_s"] == 2950.0
    assert settings["zones"][0]["girth_start_mm"] == 80.0


# What must not matter


def test_results_may_be_deleted_and_made_again_to_the_byte(part, results):  # noqa: ARG001 - saved before
    first = written(part)
    assert {"points.csv", "indications.json", "summary.json", "report.html"} < set(first)
    shutil.rmtree(part / "results")
    analysed(part).save()
    assert written(part) == first


def test_no_file_names_the_place_it_was_made_in(part, results):  # noqa: ARG001 - they have been saved
    for name, content in written(part).items():
        assert str(part).encode() not in content, name
        assert str(part.parent.name).encode() not in content, name


def test_neither_the_order_of_the_files_nor_their_place_nor_their_age_matters(part, results, tmp_path):
    first = written(part)
    moved = tmp_path / "elsewhere" / "renamed"
    moved.mkdir(parents=True)
    for path in sorted(part.rglob("*"), reverse=True):  # laid down the other way round, all of today
        if path.is_file() and "results" not in path.parts:
            target = moved / path.relative_to(part)
            target.parent.mkdir(exist_ok=True)
            shutil.copyfile(path, target)
            os.utime(target, (86_400 * 365, 86_400 * 365))
    inspection = tapscan.open_inspection(moved)
    backward = Inspection(
        inspection.folder,
        inspection.plan,
        dict(reversed(inspection.tap_files.items())),
        dict(reversed(inspection.volumes.items())),
        dict(reversed(inspection.trace_files.items())),
        inspection.warnings,
    )
    before = everything(tmp_path)
    there = tapscan.analyse(backward)
    assert everything(tmp_path) == before  # nothing is written before saving
    assert there.summary == results.summary  # one bad recording, so one order of the warnings
    assert there.save() == moved / "results/report.html"
    assert written(moved) == first
    shutil.rmtree(moved / "results")
    assert everything(tmp_path) == before  # nor outside of results then


@pytest.mark.slow
@pytest.mark.parametrize("threads", ["1", "2"])
def test_neither_cores_nor_hashes_matter_and_nothing_heavy_is_loaded(part, results, tmp_path, threads):  # noqa: ARG001
    folder = copied(part, tmp_path / "part")
    never = ["librosa", "sklearn", "pandas", "numba", "obspy", "sounddevice", "dask", "statsmodels"]
    late = ["matplotlib", "jinja2", "matplotlib.pyplot"]  # pyplot opens windows and holds global state
    code = f"""
import sys, tapscan
inspection = tapscan.open_inspection({str(folder)!r})
opened = set(sys.modules)
results = tapscan.analyse(inspection)
computed = set(sys.modules)
results.save()
for modules in (opened, computed, set(sys.modules)):
    print("loaded", *(name for name in {[*never, *late, "scipy"]} if name in modules))
"""
    variables = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    environment = os.environ | dict.fromkeys(variables, threads) | {"PYTHONHASHSEED": threads}
    run = subprocess.run(
        [sys.executable, "-c", code], check=True, env=environment, capture_output=True, text=True
    )
    opened, computed, saved = (set(line.split()[1:]) for line in run.stdout.splitlines())
    assert opened == set()
    assert computed == {"scipy"}
    assert saved == {"scipy", "matplotlib", "jinja2"}
    assert written(folder) == written(part)


# Where it writes


def test_results_that_lead_out_of_the_folder_are_refused(part, tmp_path):
    folder = copied(part, tmp_path / "part")
    (tmp_path / "outside").mkdir()
    (folder / "results").symlink_to(tmp_path / "outside")
    with pytest.raises(
        TapscanError, match=r"^results: is a link out of the inspection \(take the link away\)$"
    ):
        analysed(folder).save()
    assert list((tmp_path / "outside").iterdir()) == []


# The public surface


def test_the_facade(part, results):
    inspection = tapscan.open_inspection(str(part))
    result = []
    there = tapscan.analyse(inspection, progress=lambda *step: result.append(step))
    assert set(there.points) == set(BASE + OF_TAPS + OF_ASCANS)
    assert there.indications == results.indications
    assert there.summary == results.summary
    assert {what for what, _, _ in result} == {"BM taps", "SP A-scans"}
    for what in ("BM taps", "SP A-scans"):
        steps = [(done, total) for each, done, total in result if each == what]
        assert steps == sorted(steps)
        assert steps[-1][0] == steps[-1][1]


def test_a_zone_without_any_reading_is_unread_and_the_others_go_on(part, tmp_path):
    folder = copied(part, tmp_path / "part")
    (folder / "ascans/SP.npy").unlink()
    found = analysed(folder)
    tube, panel = found.summary["counts"]
    assert tube["indications"] == 1
    assert panel["unread"] == 90
    assert panel["clear"] == panel["suspect"] == 0
