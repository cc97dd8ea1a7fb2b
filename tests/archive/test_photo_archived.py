"""A zone on a photo in the archive: sealed, restored, computed again, and as DICONDE."""

import csv
import io
import subprocess

import numpy as np
import pydicom
import pytest
from PIL import Image

import tapscan
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.restoring import restore_bag
from tapscan.archive.bags.stored import stored_tables
from tapscan.archive.diconde.photos import read_points
from tapscan.archive.exporting import export_bag
from tapscan.archive.rerunning import rerun
from tapscan.plan.text.reading import read_plan
from tapscan.report.saving import write_results
from tests.archive.test_diconde import EXPLAINED, tool
from tests.synth.rendered.test_junction import part  # noqa: F401 - the demo's junction alone

# Private attributes of the points, which no class of image lists.
POINTS = tuple(f"(0x0021,0x10{number:02x})" for number in range(0x10, 0x17))


@pytest.fixture(scope="module")
def bag(part, tmp_path_factory):  # noqa: F811
    write_results(tapscan.analyse(tapscan.open_inspection(part)))
    return add_inspection(part, tmp_path_factory.mktemp("kept") / "archive").bag


@pytest.fixture(scope="module")
def exported(bag, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out") / "diconde"
    export_bag(bag, folder, "diconde")
    return folder


def test_it_is_computed_again_to_the_same_bytes(bag):
    (again,) = rerun([bag], bag.folder.parent)
    assert (again.problem, again.changes, again.was_analysed) == ("", (), True)
    assert again.tables == stored_tables(bag)


def test_it_is_restored_with_its_photo(bag, tmp_path):
    restored = restore_bag(bag.folder, tmp_path / "back").folder
    kept = read_plan(bag.inspection).zones[0].layout
    assert read_plan(restored).zones[0].layout == kept
    assert (restored / kept.photo).read_bytes() == (bag.inspection / kept.photo).read_bytes()


def test_the_checker_of_dicom_finds_no_error_in_the_photo(exported):
    assert sorted(path.name for path in exported.iterdir()) == ["LG_ascan_photo.dcm", "LG_ascans.dcm"]
    for path in exported.iterdir():
        run = subprocess.run([tool("dciodvfy"), path], capture_output=True, text=True, check=False)
        seen = (run.stdout + run.stderr).splitlines()
        assert {"SCImage", "ParametricMap"} & set(seen), seen[:5]
        assert not [line for line in seen if "Error" in line]
        known = (*EXPLAINED, *POINTS)
        left = [line for line in seen if "Warning" in line and not any(one in line for one in known)]
        assert not left, (path.name, left[:5])


def test_the_photo_is_there_and_nothing_that_the_camera_wrote(bag, exported):
    file = pydicom.dcmread(exported / "LG_ascan_photo.dcm")
    with Image.open(bag.inspection / "photos" / "lug.png") as photo:
        assert (file.pixel_array == np.asarray(photo.convert("RGB"))).all()
    assert b"Exif" not in (exported / "LG_ascan_photo.dcm").read_bytes()


def test_points_are_attributes_with_the_numbers_of_the_table(bag, exported):
    found = read_points(pydicom.dcmread(exported / "LG_ascan_photo.dcm"))
    rows = list(csv.DictReader(io.StringIO(stored_tables(bag)["points.csv"])))
    assert set(found) == {row["point"] for row in rows}
    layout = read_plan(bag.inspection).zones[0].layout
    at_px = {f"LG-{one.station:02d}-{one.position:02d}": one.at_px for one in layout.points}
    for row in rows:
        one = found[row["point"]]
        assert one["px"] == pytest.approx(at_px[row["point"]])
        assert one["mm"] == [float(row["x_mm"]), float(row["s_mm"])]
        assert one["status"] == row["status"].upper()
        score = float(row["score"]) if row["score"] else np.nan
        assert one["score"] == pytest.approx(score, nan_ok=True)
    labels = pydicom.dcmread(exported / "LG_ascan_photo.dcm").EvaluatorSequence[0].IndicationSequence
    assert [one.IndicationLabel for one in labels] == ["LG-A1", "LG-A2"]


def test_a_second_export_is_equal_to_the_byte(bag, exported, tmp_path):
    export_bag(bag, tmp_path / "again", "diconde")
    for path in exported.iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes()
