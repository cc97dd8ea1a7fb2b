"""A small inspection that is quick to analyse: one tapped tube, one scanned panel, both simulated."""

import functools
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

import tapscan
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.places import Bag
from tapscan.plan.text.reading import parse_plan
from tapscan.records.runs import new_results
from tapscan.records.writing import write_text
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

PLAN = """
[part]
name = "Seat stay, left (synthetic)"
serial = "SYNTHETIC-07"
owner_ref = "DEMO"
history = "Fell over in the yard, then clamped in a stand."
inspector = "the simulator"
date = "2026-03-14"

[laminate]
thickness_mm = 1.6
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
velocity_m_s = 2950.0

[[zone]]
code = "BM"
shape = "tube"
stations = 8
positions = 8
station_pitch_mm = 10.0
girth_mm = 80.0
skip = ["08-08"]

[[zone]]
code = "PL"
shape = "panel"
stations = 8
positions = 9
station_pitch_mm = 5.0
position_pitch_mm = 4.0

[tap]
taps_per_point = 3

[ascan]
sample_rate_mhz = 100.0
"""
SEED = 5


@functools.cache
def simulated(seed: int = SEED) -> dict[str, bytes]:
    tube, panel = parse_plan(PLAN).zones
    scene = TapScene(sample_rate_hz=24_000.0, lead_s=0.05, interval_s=0.12, tail_s=0.1)
    patch = Defect(x_mm=45.0, s_mm=10.0, radius_mm=16.0, depth_mm=0.6)
    taps = tap_files(tube, simulate_taps(tube, (patch,), scene, seed))
    del taps["taps/BM-03-04.wav"]
    flaw = Defect(x_mm=20.0, s_mm=16.0, radius_mm=7.0, depth_mm=0.7)
    scans = ascan_files(panel, simulate_ascans(panel, (flaw,), AScanScene(samples=300), seed))
    return {
        "inspection.toml": PLAN.encode(),
        "notes.txt": b"Lacquer crazed near the bridge.\n",
        **taps,
        **scans,
    }


@pytest.fixture(scope="session")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The inspection with its results; copy it before changing it."""
    folder = tmp_path_factory.mktemp("parts") / "seat-stay"
    write_inspection(folder, simulated())
    results = tapscan.analyse(tapscan.open_inspection(folder))
    with new_results(folder, "analyse", results.origin) as made:
        for name, text in results.tables.items():
            write_text(made / name, text)  # the report is not needed here, and takes seconds
    return folder


@pytest.fixture
def part(analysed: Path, tmp_path: Path) -> Path:
    """The analysed inspection, to change at will."""
    return Path(shutil.copytree(analysed, tmp_path / "seat-stay"))


@pytest.fixture
def small(tmp_path: Path) -> Callable[..., Path]:
    """Write an inspection of three points with nothing measured: quick to archive, many times over."""

    def write(name: str = "clamp", part: str = "Clamp (synthetic)", serial: str = "") -> Path:
        folder = tmp_path / name
        (folder / "taps").mkdir(parents=True)
        text = f'[part]\nname = "{part}"\nserial = "{serial}"\n[[zone]]\ncode = "CL"\nshape = "panel"\n'
        text += "stations = 3\npositions = 1\nstation_pitch_mm = 10.0\nposition_pitch_mm = 10.0\n"
        (folder / "inspection.toml").write_text(text, encoding="utf-8")
        for station in (1, 2, 3):
            (folder / f"taps/CL-0{station}-01.wav").write_bytes(bytes([station]) * 100)
        return folder

    return write


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    return tmp_path / "archive"


@pytest.fixture
def bag(part: Path, archive: Path) -> Bag:
    """The analysed inspection, archived."""
    return add_inspection(part, archive).bag
