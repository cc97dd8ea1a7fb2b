import os
import random
import re
from pathlib import Path

import pytest

import tapscan
from tapscan.errors import TapscanError
from tapscan.plan import Point
from tapscan.records import open_inspection


def touch(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).write_text("x", encoding="utf-8")


def one_warning(folder: Path) -> str:
    (warning,) = open_inspection(folder).warnings
    return warning


def test_an_empty_inspection_has_no_readings_and_no_warnings(folder):
    inspection = tapscan.open_inspection(str(folder))
    assert not inspection.tap_files
    assert not inspection.volumes
    assert not inspection.trace_files
    assert inspection.warnings == ()
    assert [zone.code for zone in inspection.plan.zones] == ["BM", "PL"]


def test_folders_for_readings_may_be_missing(folder):
    (folder / "taps").rmdir()
    (folder / "ascans").rmdir()
    assert open_inspection(folder).warnings == ()


def test_no_folder_and_no_plan(tmp_path):
    with pytest.raises(TapscanError, match="is not a folder"):
        open_inspection(tmp_path / "nowhere")
    with pytest.raises(TapscanError, match=r"holds no inspection\.toml"):
        open_inspection(tmp_path)


@pytest.mark.parametrize(
    "name", ["BM-01-03.wav", "BM-1-3.wav", "bm-01-03.WAV", "BM-001-0003.Flac", "Bm-1-03_2.wav"]
)
def test_padding_and_case_are_free(folder, name):
    touch(folder, f"taps/{name}")
    inspection = open_inspection(folder)
    assert inspection.tap_files == {Point("BM", 1, 3): (folder / "taps" / name,)}
    assert inspection.warnings == ()


def test_further_recordings_come_in_the_order_of_their_numbers(folder):
    touch(folder, "taps/BM-01-03_10.wav", "taps/BM-01-03_2.flac", "taps/BM-01-03.wav")
    names = [path.name for path in open_inspection(folder).tap_files[Point("BM", 1, 3)]]
    assert names == ["BM-01-03.wav", "BM-01-03_2.flac", "BM-01-03_10.wav"]


def test_readings_are_listed_in_the_order_of_points_whatever_the_disk_says(folder, monkeypatch):
    names = [f"taps/BM-{s}-{p}.wav" for s in (1, 3, 4) for p in range(1, 7)]
    touch(folder, *names, "taps/notes.txt", "taps/BM-9-9.wav", "taps/BM-01-1.wav")
    first = open_inspection(folder)
    listed = Path.iterdir

    def shuffled(path):
        paths = list(listed(path))
        random.Random(1).shuffle(paths)
        return iter(paths)

    monkeypatch.setattr(Path, "iterdir", shuffled)
    second = open_inspection(folder)
    assert list(first.tap_files.items()) == list(second.tap_files.items())
    assert first.warnings == second.warnings
    assert list(first.tap_files) == sorted(first.tap_files)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("taps/notes.txt", r"is no recording of a known kind and was left out \(move it away\)"),
        ("taps/BM-01-01.csv", r"is no recording of a known kind and was left out \(move it to ascans\)"),
        ("taps/BM-01.wav", r"its name is not that of a point \(name it like BM-07-05\.wav\)"),
        ("taps/BM-01-01-b.flac", r"its name is not that of a point \(name it like BM-07-05\.flac\)"),
        ("taps/BM-06-01.wav", r"fits no point: station 6 is outside zone BM \(stations run from 1 to 5\)"),
        ("taps/BM-01-07.wav", r"fits no point: position 7 is outside zone BM \(positions run from 1 to 6\)"),
        ("taps/BM-00-01.wav", "fits no point: station 0 is outside zone BM"),
        ("taps/BMX-01-01.wav", r"fits no point: the plan has no zone BMX \(did you mean BM\?\)"),
        ("taps/QQ-01-01.wav", r"fits no point: the plan has no zone QQ \(zones of the plan: BM, PL\)"),
        (
            "taps/BM-02-05.wav",
            r"is at BM-02-05, which the plan skips \(take the point out of skip, or move",
        ),
        ("ascans/BM-02-05.csv", "is at BM-02-05, which the plan skips"),
        (
            "ascans/BM-01-01.wav",
            r"is neither a \.npy volume nor a \.csv trace and was left out \(move it to taps\)",
        ),
        ("ascans/readme", r"is neither a \.npy volume nor a \.csv trace and was left out \(move it away\)"),
        ("ascans/BN.npy", r"fits no zone: the plan has no zone BN \(zones of the plan: BM, PL\)"),
        ("ascans/PLL.npy", r"fits no zone: the plan has no zone PLL \(did you mean PL\.npy\?\)"),
        ("ascans/BM-9-9.csv", "fits no point: station 9 is outside zone BM"),
    ],
)
def test_files_that_fit_no_point_are_named(folder, name, message):
    touch(folder, name)
    assert re.match(re.escape(name) + ": " + message, one_warning(folder))


def test_a_second_file_for_a_point_is_named_and_left_out(folder):
    touch(folder, "taps/BM-01-03.wav", "taps/BM-1-3.wav")
    inspection = open_inspection(folder)
    assert inspection.tap_files == {Point("BM", 1, 3): (folder / "taps" / "BM-01-03.wav",)}
    assert one_warning(folder) == (
        "taps/BM-1-3.wav: is a second file for BM-01-03 beside BM-01-03.wav and was left out "
        "(if it is another recording, name it BM-01-03_2.wav; else delete it)"
    )


def test_a_second_trace_for_a_point_is_named_and_left_out(folder):
    touch(folder, "ascans/BM-01-03.csv", "ascans/BM-1-3.csv")
    inspection = open_inspection(folder)
    assert inspection.trace_files == {Point("BM", 1, 3): folder / "ascans" / "BM-01-03.csv"}
    assert one_warning(folder) == (
        "ascans/BM-1-3.csv: is a second trace for BM-01-03 beside BM-01-03.csv and was left out "
        "(keep one of them)"
    )


def test_a_second_volume_for_a_zone_is_named_and_left_out(folder):
    touch(folder, "ascans/BM.npy", "ascans/bm.npy")
    if len(list((folder / "ascans").iterdir())) == 1:
        pytest.skip("this file system does not separate capitals")
    assert open_inspection(folder).volumes == {"BM": folder / "ascans" / "BM.npy"}
    assert one_warning(folder).startswith("ascans/bm.npy: is a second volume for zone BM beside BM.npy")


def test_a_volume_beside_traces_is_not_guessed_between(folder):
    touch(folder, "ascans/BM.npy", "ascans/BM-01-03.csv", "ascans/PL-01-03.csv")
    inspection = open_inspection(folder)
    assert list(inspection.volumes) == ["BM"]
    assert list(inspection.trace_files) == [Point("PL", 1, 3)]
    assert one_warning(folder) == (
        "ascans/BM.npy: zone BM has this volume and single traces too (1); the traces were left out "
        "(move the volume or the traces away)"
    )


def test_a_volume_without_a_time_base_is_left_out(folder):
    plan = folder / "inspection.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("sample_rate_mhz = 100.0", ""), encoding="utf-8")
    touch(folder, "ascans/BM.npy")
    assert not open_inspection(folder).volumes
    assert one_warning(folder).endswith("so it was left out (add sample_rate_mhz = … under [ascan])")


def test_hidden_files_and_half_written_ones_are_passed_over(folder):
    touch(folder, "taps/.DS_Store", "taps/.BM-01-01.wav.abc.part", "ascans/.keep")
    inspection = open_inspection(folder)
    assert inspection.warnings == ()
    assert not inspection.tap_files


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    path = tmp_path / "elsewhere"
    path.mkdir()
    touch(path, "BM-01-01.wav", "BM.npy")
    return path


def link(path: Path, target: Path | str) -> None:
    try:
        path.symlink_to(target)
    except OSError:
        pytest.skip("this file system has no links")


def test_a_link_out_of_the_folder_is_not_followed(folder, outside):
    link(folder / "taps" / "BM-01-01.wav", outside / "BM-01-01.wav")
    link(folder / "ascans" / "BM.npy", Path("../../elsewhere/BM.npy"))
    inspection = open_inspection(folder)
    assert not inspection.tap_files
    assert not inspection.volumes
    assert inspection.warnings == tuple(
        f"{name}: is a link out of the inspection and was not followed (copy the file there)"
        for name in ("taps/BM-01-01.wav", "ascans/BM.npy")
    )


def test_a_whole_folder_linked_from_outside_is_not_followed(folder, outside):
    (folder / "taps").rmdir()
    link(folder / "taps", outside)
    assert not open_inspection(folder).tap_files
    assert (
        one_warning(folder)
        == "taps: is a link out of the inspection and was not followed (copy the files there)"
    )


def test_a_folder_that_is_a_link_to_nowhere_is_named(folder):
    (folder / "taps").rmdir()
    link(folder / "taps", "gone")
    assert one_warning(folder) == "taps: is a link to nowhere (put the files themselves there)"


def test_a_link_within_the_folder_is_followed_and_a_dangling_one_named(folder):
    touch(folder, "taps/BM-01-01.wav")
    link(folder / "taps" / "BM-01-02.wav", "BM-01-01.wav")
    link(folder / "taps" / "BM-01-03.wav", "gone.wav")
    inspection = open_inspection(folder)
    assert list(inspection.tap_files) == [Point("BM", 1, 1), Point("BM", 1, 2)]
    assert inspection.warnings == ("taps/BM-01-03.wav: is not a regular file (put the file itself there)",)


def test_the_inspection_itself_may_be_reached_by_a_link(folder, tmp_path):
    touch(folder, "taps/BM-01-01.wav")
    link(tmp_path / "shortcut", folder)
    assert list(open_inspection(tmp_path / "shortcut").tap_files) == [Point("BM", 1, 1)]


def test_folders_and_devices_among_readings_are_named(folder):
    (folder / "taps" / "BM-01-01.wav").mkdir()
    if hasattr(os, "mkfifo"):
        os.mkfifo(folder / "taps" / "BM-01-02.wav")
    warnings = open_inspection(folder).warnings
    assert (
        warnings[0]
        == "taps/BM-01-01.wav: is a folder and was not searched (put its files straight into taps)"
    )
    assert all(
        warning.endswith("is not a regular file (put the file itself there)") for warning in warnings[1:]
    )


def test_a_file_where_a_folder_belongs(folder):
    (folder / "taps").rmdir()
    touch(folder, "taps")
    assert one_warning(folder) == "taps: is not a folder (put the readings into a folder of that name)"


def test_names_that_would_upset_a_terminal_are_spelt_out(folder):
    touch(folder, "taps/a\x1b[31m.txt")
    assert one_warning(folder).startswith(r"taps/a\x1b[31m.txt: is no recording")


def test_an_inspection_cannot_be_changed(folder):
    touch(folder, "taps/BM-01-01.wav")
    inspection = open_inspection(folder)
    with pytest.raises(TypeError, match="does not support item assignment"):
        inspection.tap_files[Point("BM", 1, 2)] = ()
    with pytest.raises(AttributeError, match="cannot assign"):
        inspection.warnings = ()


def test_a_link_that_leads_back_to_itself_is_one_sentence(folder):
    (folder / "taps/BM-01-01.wav").symlink_to("BM-01-01.wav")
    (folder / "taps/BM-01-02.wav").symlink_to("BM-01-03.wav")
    (folder / "taps/BM-01-03.wav").symlink_to("BM-01-02.wav")
    inspection = open_inspection(folder)
    seen = [one for one in inspection.warnings if "leads back to itself (put the file itself there)" in one]
    assert len(seen) == 3
    assert not {str(point) for point in inspection.tap_files} & {"BM-01-01", "BM-01-02", "BM-01-03"}
