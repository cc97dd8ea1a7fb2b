"""DICONDE files compared with programs that nobody here wrote: dcmtk's and dicom3tools'."""

import builtins
import csv
import io
import os
import re
import shutil
import socket
import subprocess
import time

import numpy as np
import pydicom
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.stored import stored_tables
from tapscan.archive.diconde import read_ascans
from tapscan.archive.diconde.ascans import ascans_file
from tapscan.archive.diconde.component import Subject
from tapscan.archive.diconde.maps import PADDING, STATUS, quantised
from tapscan.archive.exporting import export_bag
from tapscan.errors import TapscanError
from tapscan.plan import Part
from tapscan.plan.text.reading import parse_plan

# What the renaming for components explains: attributes of group 0014 that DICOM's own storage classes do not
# list, names of components that are no person's, a study without a time of day; then our own two private
# attributes, and a frame's time after the first sample, which the class does not list though DICOM has it.
EXPLAINED = (
    "Attribute is not present in standard DICOM IOD - (0x0014,",
    "Attribute is not present in standard DICOM IOD - (0x0020,0x9310) SQ Temporal Position Sequence",
    "Attribute is not present in standard DICOM IOD - (0x0020,0x930d) FD Temporal Position Time Offset",
    "this is a Standard Extended SOP Class",
    "Retired Person Name form",
    "would be needed to build DICOMDIR - Study Time",
    "attribute <Laterality>",
    "(0x0021,0x1001)",
    "(0x0021,0x1002)",
    "Unrecognized defined term <MIXED> for value 3",
)


def tool(name):
    found = shutil.which(name)
    if found is None:
        assert "CI" not in os.environ, f"{name} must be there where everything is checked"
        pytest.skip(f"{name} is not installed (apt-get install dcmtk dicom3tools)")
    return found


@pytest.fixture(scope="module")
def exported(analysed, tmp_path_factory):
    """The archived inspection as DICONDE; one A-scan has NaN, and a history in several scripts."""
    home = tmp_path_factory.mktemp("diconde")
    part = shutil.copytree(analysed, home / "seat-stay")
    plan = part / "inspection.toml"
    plan.write_text(plan.read_text().replace("Fell over", "Größe 2 «ä\\\\b^c=d» 日本: fell over"))
    volume = np.load(part / "ascans/PL.npy")
    volume[0, 0, 5], volume[1, 1, 7] = np.nan, -0.0
    np.save(part / "ascans/PL.npy", volume)
    bag = add_inspection(part, home / "archive").bag
    export_bag(bag, home / "out", "diconde")
    return bag, home / "out"


def test_the_checker_of_dicom_finds_no_error_and_no_warning_that_is_not_explained(exported):
    for path in sorted(exported[1].iterdir()):
        run = subprocess.run([tool("dciodvfy"), path], capture_output=True, text=True, check=False)
        seen = (run.stdout + run.stderr).splitlines()
        assert {"SCImage", "ParametricMap"} & set(seen), seen[:5]
        assert not [line for line in seen if "Error" in line]
        left = [line for line in seen if "Warning" in line and not any(known in line for known in EXPLAINED)]
        assert not left, (path.name, left[:5])


def test_the_checker_is_not_blind(exported, tmp_path):
    file = pydicom.dcmread(exported[1] / "BM_tap_score.dcm")
    del file.ConversionType
    file.save_as(tmp_path / "bad.dcm")
    run = subprocess.run(
        [tool("dciodvfy"), tmp_path / "bad.dcm"], capture_output=True, text=True, check=False
    )
    assert "Error - Missing attribute Type 1 Required Element=<ConversionType>" in run.stderr + run.stdout


def test_another_reader_sees_the_component_and_the_inspection(exported):
    path = exported[1] / "BM_tap_score.dcm"
    run = subprocess.run([tool("dcmdump"), "+L", path], capture_output=True, check=True)
    assert run.stderr == b""
    seen = run.stdout.decode()
    for line in (
        "(0010,0010) PN [Seat stay, left (synthetic)]",
        "(0010,0020) LO [SYNTHETIC-07]",
        "(0008,0020) DA [20260314]",
        "(0008,0090) PN [DEMO]",
        "(0008,1070) PN [the simulator]",
        "(0014,0030) DS [1.6]",
        "(0014,0050) CS [TUBE]",
        "(0028,0030) DS [10.0\\10.0]",
        "(0028,0010) US 8",
        "(0014,2016) SH [BM-T1]",
        "(0014,201a) CS [DELAMINATION]",
    ):
        assert line in seen, line
    diameter_mm = re.search(r"\(0014,0054\) DS \[([0-9.]+)\]", seen)[1]
    assert float(diameter_mm) == pytest.approx(80 / np.pi)
    assert "Größe 2" in seen


def test_maps_hold_the_numbers_of_the_table(exported):
    bag, out = exported
    rows = list(csv.DictReader(io.StringIO(stored_tables(bag)["points.csv"])))
    checked = 0
    for path in out.glob("*_*_*.dcm"):
        zone, method, name = path.stem.split("_", 2)
        file = pydicom.dcmread(path)
        pixels = file.pixel_array
        values = pixels * float(file.RescaleSlope) + float(file.RescaleIntercept)
        seen = np.zeros(pixels.shape, dtype=bool)
        for row in rows:
            if (row["zone"], row["method"]) != (zone, method):
                continue
            at = int(row["station"]) - 1, int(row["position"]) - 1
            seen[at] = True
            if name == "status":
                assert pixels[at] == STATUS[row["status"]]
            elif row[name] == "":
                assert pixels[at] == PADDING
            else:
                assert pixels[at] != PADDING
                assert abs(values[at] - float(row[name])) <= 0.5001 * float(file.RescaleSlope)
        assert (pixels[~seen] == PADDING).all()
        checked += 1
    assert checked >= 10


def test_ascans_read_back_to_the_bit(exported):
    bag, out = exported
    traces, rate_hz = read_ascans(out / "PL_ascans.dcm")
    volume = np.load(bag.inspection / "ascans/PL.npy")
    assert (traces.dtype, traces.shape, rate_hz) == (volume.dtype, volume.shape, 100e6)
    assert traces.tobytes() == volume.tobytes()
    file = pydicom.dcmread(out / "PL_ascans.dcm")
    shared = file.SharedFunctionalGroupsSequence[0].PixelMeasuresSequence[0]
    assert [float(length) for length in shared.PixelSpacing] == [5.0, 4.0]
    times_s = [
        frame.TemporalPositionSequence[0].TemporalPositionTimeOffset
        for frame in file.PerFrameFunctionalGroupsSequence
    ]
    assert times_s == [at / 100e6 for at in range(300)]


def test_a_second_export_is_the_same_to_the_byte(exported, tmp_path):
    bag, out = exported
    export_bag(bag, tmp_path / "again", "diconde")
    for path in out.iterdir():
        assert (tmp_path / "again" / path.name).read_bytes() == path.read_bytes()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def test_a_dicom_server_receives_the_very_same(exported, tmp_path):
    out, port = exported[1], str(free_port())
    home = tmp_path / "received"
    home.mkdir()
    server = subprocess.Popen(
        [tool("storescp"), "--bit-preserving", "--output-directory", home, port],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", int(port))) == 0:
                    break
            time.sleep(0.05)
        subprocess.run(
            [tool("storescu"), "--required", "127.0.0.1", port, *sorted(out.iterdir())],
            capture_output=True,
            check=True,
            timeout=60,
        )
    finally:
        server.terminate()
        server.wait()
    sent = {file.SOPInstanceUID: (path, file) for path in out.iterdir() if (file := pydicom.dcmread(path))}
    received = {
        file.SOPInstanceUID: (path, file) for path in home.iterdir() if (file := pydicom.dcmread(path))
    }
    assert sent.keys() == received.keys()
    for name, (path, file) in sent.items():
        other_path, other = received[name]
        assert body(other_path) == body(path)
        if "PixelData" in file:
            assert (other.pixel_array == file.pixel_array).all()
    traces = [read_ascans(path)[0] for path, file in received.values() if "FloatPixelData" in file]
    assert traces[0].tobytes() == read_ascans(out / "PL_ascans.dcm")[0].tobytes()


def body(path) -> bytes:
    """The data set of a file, without the header that each program writes for itself."""
    content = path.read_bytes()
    # (0002,0000) gives the length of the group, which follows it.
    assert content[128:140] == b"DICM\x02\x00\x00\x00UL\x04\x00"
    return content[144 + int.from_bytes(content[140:144], "little") :]


def test_single_traces_are_laid_together(part, archive, tmp_path):
    (part / "ascans/PL.npy").unlink()
    for name, rate, count in (("PL-01-01", 0.01, 40), ("PL-02-03", 0.01, 50), ("PL-03-03", 0.02, 30)):
        lines = "".join(f"{rate * i:.2f},{np.sin(i) / 3!r}\n".replace("np.float64", "") for i in range(count))
        lines = lines.replace("(", "").replace(")", "")
        (part / f"ascans/{name}.csv").write_text("time_us,amplitude\n" + lines)
    (part / "ascans/PL-04-04.csv").write_text("no trace")
    bag = add_inspection(part, archive).bag
    names = {path.name for path in export_bag(bag, tmp_path / "out", "diconde")}
    assert {"PL-1_ascans.dcm", "PL-2_ascans.dcm"} <= names
    slow, rate_hz = read_ascans(tmp_path / "out/PL-1_ascans.dcm")
    assert rate_hz == pytest.approx(50e6)
    assert slow[2, 2].tolist() == [np.sin(i) / 3 for i in range(30)]
    fast, rate_hz = read_ascans(tmp_path / "out/PL-2_ascans.dcm")
    assert (fast.shape, rate_hz) == ((8, 9, 50), pytest.approx(100e6))
    assert np.isnan(fast[0, 0, 40:]).all()
    assert np.isnan(fast[5, 5]).all()


ZONE = parse_plan(
    "[[zone]]\ncode='PL'\nshape='panel'\nstations=2\npositions=3\nstation_pitch_mm=5.0\nposition_pitch_mm=4.0"
).zones[0]
SUBJECT = Subject(Part(), "x@1", "seal", "")
KINDS = ["<f2", "<f4", "<f8", ">f4", ">f8", "i1", "u1", "<i2", "<u2", ">i2", "<i4", "<u4", ">i4"]


@given(st.data(), st.sampled_from(KINDS), st.integers(2, 4))
def test_any_bits_of_any_kind_come_back(data, kind, samples):
    traces = data.draw(arrays.arrays(kind, (2, 3, samples)))
    with io.BytesIO() as stream:
        ascans_file(SUBJECT, ZONE, "PL", traces, 1e8).save_as(stream, enforce_file_format=True)
        stream.seek(0)
        back, rate_hz = read_ascans(stream)
    assert rate_hz == 1e8
    assert back.dtype == traces.dtype.newbyteorder("=")
    assert np.array_equal(back, traces, equal_nan=traces.dtype.kind == "f")
    if traces.dtype.kind == "f":
        assert (np.signbit(back) == np.signbit(traces))[~np.isnan(traces)].all()


@pytest.mark.parametrize("kind", ["<i8", "<u8"])
def test_what_would_lose_bits_is_refused(kind):
    message = (
        r"^PL A-scans: are of type u?int64, whose values DICOM's floating point cannot all hold \(take them"
    )
    with pytest.raises(TapscanError, match=message):
        ascans_file(SUBJECT, ZONE, "PL", np.zeros((2, 3, 4), kind), 1e8)


def test_what_is_too_large_for_a_file_is_refused_before_memory_is_taken():
    huge = np.broadcast_to(np.float32(0), (1000, 1000, 1100))
    with pytest.raises(TapscanError, match=r"take 4,400,000,000 bytes, more than one DICOM file may hold"):
        ascans_file(SUBJECT, ZONE, "PL", huge, 1e8)


def test_what_holds_no_ascans(exported, tmp_path):
    with pytest.raises(
        TapscanError, match=r"^BM_tap_score.dcm: holds no A-scans of tapscan: .*_ascans.dcm\)$"
    ):
        read_ascans(exported[1] / "BM_tap_score.dcm")
    (tmp_path / "x.dcm").write_bytes(b"nothing")
    with pytest.raises(TapscanError, match="holds no A-scans of tapscan"):
        read_ascans(tmp_path / "x.dcm")


@given(
    arrays.arrays(
        float,
        (2, 3),
        elements=st.floats(-1e6, 1e6) | st.just(float("nan")),
    ).filter(lambda values: np.isfinite(values).any())
)
def test_a_pixel_is_the_value_to_half_a_step(values):
    pixels, slope, intercept = quantised(values)
    back = pixels * float(slope) + float(intercept)
    is_read = np.isfinite(values)
    assert ((pixels == PADDING) == ~is_read).all()
    assert len(slope) <= 16
    assert len(intercept) <= 16
    allowed = 0.5001 * float(slope) + 1e-9 * np.abs(values[is_read])
    assert (np.abs(back - values)[is_read] <= allowed).all()


def test_without_pydicom_the_way_to_it_is_reported(bag, tmp_path, monkeypatch):
    real = builtins.__import__

    def refuse(name, *rest):
        if name == "tapscan.archive.diconde":
            raise ModuleNotFoundError(name="pydicom")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(TapscanError, match=r"needs pydicom, .* \(pip install 'tapscan\[diconde\]'\)"):
        export_bag(bag, tmp_path / "out", "diconde")
