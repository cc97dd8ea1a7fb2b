"""Whatever bytes a file holds, a reader gives a result or one sentence: no other exception, soon, in bounds.

What once did worse is kept as examples. `bounded` measures the memory that a reading takes.
"""

import csv
import tempfile
import tracemalloc
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

import tapscan
from tapscan.archive.bags.checking import check_bag
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.restoring import restore_bag
from tapscan.archive.catalogue import ask
from tapscan.archive.entries import read_entry
from tapscan.archive.places import list_bags
from tapscan.archive.searching import Wanted, search
from tapscan.errors import TapscanError
from tapscan.plan.text.reading import parse_plan, read_plan
from tapscan.records.readers import open_volume, read_recording, read_trace
from tapscan.records.readers.trace_csv import parse_trace
from tapscan.records.runs import doubts_about_others, doubts_about_run
from tapscan.sectioning.findings.csv_text import findings_text, parse_findings
from tapscan.sectioning.findings.logbook import read_findings
from tapscan.sectioning.findings.recorded import doubts

MOST_BYTES = 100_000_000
SOON = settings(deadline=5000, max_examples=150, suppress_health_check=[HealthCheck.too_slow])
PLAN = """
[[zone]]
code = "BM"
name = "Boom"
shape = "panel"
stations = 3
positions = 4
station_pitch_mm = 10.0
position_pitch_mm = 10.0
reference = ["01-01"]
[zone.notes]
01-01 = "a rattle"
[tap]
taps_per_point = 1
[ascan]
sample_rate_mhz = 100.0
"""
ZONE = parse_plan(PLAN).zones[0]


@contextmanager
def bounded():
    """Let a reading take at most so many bytes more than were there before."""
    tracemalloc.start()
    try:
        yield
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < MOST_BYTES


def answered(work, *words):
    """Do the work; when it ends in a sentence, that is one line with a way out."""
    try:
        with bounded():
            work(*words)
    except TapscanError as error:
        text = str(error)
        assert "\n" not in text
        assert text.endswith(")")


def written(content, name):
    folder = Path(tempfile.mkdtemp(dir=FOLDER))
    (folder / name).write_bytes(content)
    return folder / name


@pytest.fixture(scope="module", autouse=True)
def _nook(tmp_path_factory):
    global FOLDER
    FOLDER = tmp_path_factory.mktemp("bytes")


def spoilt(whole):
    """Strategies for a file that was whole: bytes flipped, cut out, put in, doubled."""
    size = len(whole)
    place = st.integers(0, max(size - 1, 0))

    def change(edits):
        content = bytearray(whole)
        for at, kind, extra in edits:
            at = min(at, len(content))
            if kind == "flip" and at < len(content):
                content[at] ^= extra[0] if extra else 1
            elif kind == "put":
                content[at:at] = extra
            elif kind == "cut":
                del content[at : at + len(extra) * 7]
            elif kind == "double":
                content[at:at] = content[at : at + 50]
        return bytes(content)

    edits = st.tuples(place, st.sampled_from(["flip", "put", "cut", "double"]), st.binary(max_size=12))
    return st.lists(edits, min_size=1, max_size=6).map(change)


def wav():
    path = Path(tempfile.mkdtemp()) / "a.wav"
    soundfile.write(path, np.sin(np.arange(600) / 5), 24_000)
    return path.read_bytes()


def npy():
    path = Path(tempfile.mkdtemp()) / "a.npy"
    np.save(path, np.zeros((3, 4, 20), np.float32))
    return path.read_bytes()


TRACE = "time_us;amplitude_mV\n" + "".join(f"{k / 100:.2f};{k % 7}\n" for k in range(40))
FINDINGS = "kind,where,depth_mm,note\nvoid,BM-01-01,0.4,small\nnone,BM-02,,\n"


@SOON
@given(content=spoilt(wav()) | st.binary(max_size=300))
def test_recordings(content):
    answered(read_recording, written(content, "BM-01-01.wav"))


@SOON
@given(content=spoilt(npy()) | st.binary(max_size=300))
def test_volumes(content):
    answered(open_volume, written(content, "BM.npy"), ZONE)


@SOON
@given(content=spoilt(TRACE.encode()) | st.binary(max_size=300))
@example(content=b"time_us,amplitude\n0,1\n0.01," + b"9" * 140_000 + b"\n0.02,2\n")
@example(content=b'time_us,amplitude\n0,1\n0.01,"' + b"9" * 140_000 + b"\n0.02,2\n")
@example(content=b'time_us,amplitude\n0,1\n"0.01,2\n0.02,3\n')
@example(content=b"time_s,amplitude\n0,1\n1e-320,2\n2e-320,3\n")
@example(content=b"time_s,amplitude\n1e308,1\n1.1e308,2\n1.2e308,3\n")
@example(content=b"time_s,amplitude\n-1.7e308,1\n0,2\n1.7e308,3\n")
@example(content=b"time_us,amplitude\n0,1e308\n0.01,-1e308\n0.02,3e200\n")
@example(content=b"time_us,amplitude\n" + b"0" * 5000 + b",1\n1,2\n")
def test_traces(content):
    answered(read_trace, written(content, "BM-01-01.csv"))


numbers = st.floats(width=64).map(repr) | st.from_regex(
    r"[+-]?[0-9]{1,4}([.,][0-9]*)?(e[+-]?[0-9]{1,3})?", fullmatch=True
)


@SOON
@given(
    rows=st.lists(st.tuples(numbers, numbers), max_size=12),
    unit=st.sampled_from(["s", "ms", "us", "ns", "ps"]),
)
def test_traces_of_any_numbers(rows, unit):
    text = f"time_{unit};amplitude_V\n" + "".join(f"{a};{b}\n" for a, b in rows)
    try:
        trace = parse_trace(text, "a.csv")
    except TapscanError:
        return
    assert np.isfinite(trace.sample_rate_hz)
    assert trace.sample_rate_hz > 0
    assert np.isfinite(trace.start_s)


@SOON
@given(content=spoilt(PLAN.encode()) | st.binary(max_size=200))
@example(content=b"a = " + b"[" * 20_000)
@example(content=b"[part]\nname = " + b"{x=" * 5_000)
@example(content=PLAN.replace("= 3", "= " + "9" * 5000).encode())
@example(content=PLAN.replace("10.0", "1e999").encode())
@example(content=PLAN.replace("stations = 3", "stations = 99999999999999999999").encode())
def test_plans(content):
    path = written(content, "inspection.toml")
    answered(read_plan, path.parent)


@SOON
@given(content=spoilt(FINDINGS.encode()) | st.binary(max_size=300))
@example(content=b"kind,where,depth_mm\nvoid,BM-01-01,1e-300\n")
@example(content=b"kind,where,note\nvoid,BM-01-01," + b"x" * 200_000 + b"\n")
@example(content=b"kind,where,photo\nvoid,BM-01-01," + b"x" * 300 + b"\n")
@example(content=b"kind,where,photo\nvoid,BM-01-01,a\0b\n")
@example(content="kind,where,photo\nvoid,BM-01-01,\ud800\n".encode("utf-16", "surrogatepass"))
def test_findings(content):
    path = written(content, "findings.csv")

    def read():
        findings = read_findings(path.parent, parse_plan(PLAN))
        assert parse_findings(findings_text(findings.rows), parse_plan(PLAN), "again") is not None

    answered(read)


@pytest.mark.parametrize("count", [400, 2000])
def test_many_equal_findings_are_one_warning_soon(count):
    text = "kind,where\n" + "void,BM-01-01\n" * count + "none,BM-01-01\n" * count
    (sound, twice) = doubts(ZONE, parse_findings(text, parse_plan(PLAN), "findings.csv"))
    assert sound.startswith(
        f"findings.csv: lines {count + 2}, {count + 3} and {count - 2} more: calls BM-01-01 "
    )
    assert twice.startswith(
        f"findings.csv: lines 2, 3 and {count - 2} more: share points and count as {count} "
    )


def part_with(files):
    folder = Path(tempfile.mkdtemp(dir=FOLDER)) / "part"
    for name, content in {"inspection.toml": PLAN.encode(), **files}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


RESULTS = ["results/summary.json", "results/manifest.json", "results/indications.json", "results/points.csv"]
KEYS = st.sampled_from(["analyse", "files", "inputs", "counts", "zone", "version", "run", "id", "x_mm"])
PLAIN = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)
VALUES = st.recursive(
    PLAIN,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


@SOON
@given(name=st.sampled_from(RESULTS), value=VALUES)
def test_what_is_in_results(name, value):
    import json

    content = json.dumps(value).encode("utf-8")
    folder = part_with({"results/summary.json": b"{}", name: content})
    inspection = tapscan.open_inspection(folder)
    doubts_about_run(inspection)
    doubts_about_others(inspection)


IN_BAG = [
    "bagit.txt", "bag-info.txt", "manifest-sha256.txt", "manifest-sha512.txt", "tagmanifest-sha256.txt",
    "tagmanifest-sha512.txt", "settings.json", "data/inspection.toml", "data/results/summary.json",
    "data/results/indications.json", "data/findings.csv", "data/notes.txt",
]  # fmt: skip


@settings(SOON, max_examples=120)
@given(name=st.sampled_from(IN_BAG), data=st.data())
def test_bags(name, data):
    files = {
        "results/summary.json": b'{"counts": [], "inputs": {}}', "results/indications.json": b"[]",
        "findings.csv": FINDINGS.encode(), "notes.txt": b"small", "taps/BM-01-01.wav": b"sound",
    }  # fmt: skip
    folder = part_with(files)
    archive = folder.parent / "archive"
    bag = add_inspection(folder, archive).bag
    whole = (bag.folder / name).read_bytes()
    content = data.draw(spoilt(whole) | st.binary(max_size=200))
    (bag.folder / name).write_bytes(content)
    faults = check_bag(bag.folder)
    assert content == whole or faults  # what was changed is found
    read_entry(bag)
    found, _ = ask(archive, lambda connection: search(connection, Wanted()))
    assert [one.name for one in found] == ["part"]
    answered(restore_bag, bag.folder, folder.parent / "back")
    assert list_bags(archive) == [bag]


def trace(values, step="0.01"):
    return (
        "time_us,amplitude\n" + "".join(f"{k * float(step):.4f},{value}\n" for k, value in enumerate(values))
    ).encode()


def test_hostile_traces_are_unread_points_and_the_rest_goes_on():
    rng = np.random.default_rng(4)
    time_us = np.arange(300) / 100

    def pulse(at_us, size):
        since_us = time_us - at_us
        return size * np.exp(-((since_us / 0.15) ** 2)) * np.cos(2 * np.pi * 5 * since_us)

    def sound():
        return pulse(0.5, 1.0) + pulse(1.6, 0.5) + 0.002 * rng.standard_normal(300)

    files = {f"ascans/BM-{i:02d}-{p:02d}.csv": trace(sound()) for i in range(1, 9) for p in range(1, 6)}
    hostile = {
        "ascans/BM-01-01.csv": b"time_us,amplitude\n0,1\n0.01," + b"9" * 140_000 + b"\n",
        "ascans/BM-01-02.csv": b'time_us,amplitude\n0,1\n"0.01,2\n',
        "ascans/BM-01-03.csv": b"time_s,amplitude\n0,1\n1e-320,2\n2e-320,3\n",
        "ascans/BM-01-04.csv": b"time_s,amplitude\n1e308,1\n1.1e308,2\n1.2e308,3\n",
        "ascans/BM-02-01.csv": trace(1e308 * sound()),
    }
    folder = part_with({**files, **hostile})
    laminate = "[laminate]\nthickness_mm = 1.6\nvelocity_m_s = 2950.0\n"
    plan = PLAN.replace("stations = 3", "stations = 8").replace("positions = 4", "positions = 5")
    (folder / "inspection.toml").write_text(laminate + plan, encoding="utf-8")
    results = tapscan.analyse(tapscan.open_inspection(folder))
    (screened,) = [one for one in results.screened if one.method == "ascan"]
    for name in hostile:
        station, position = (int(number) for number in Path(name).stem.split("-")[1:])
        assert screened.status[station - 1, position - 1] == "unread"
    assert screened.count("unread") == len(hostile)


def test_the_csv_module_has_no_say_in_how_long_a_cell_is():
    csv.field_size_limit(10)
    assert parse_findings(FINDINGS, parse_plan(PLAN), "a")[0].note == "small"
