"""Small simulated inspections, written as files and analysed as a user would."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

import tapscan
from tapscan.analysis import Results
from tapscan.plan import Zone, parse_point
from tapscan.plan.text.reading import parse_plan
from tapscan.synth import (
    AScanScene,
    Defect,
    TapRecordings,
    TapScene,
    ascan_files,
    simulate_ascans,
    simulate_taps,
    tap_files,
    write_inspection,
)
from tapscan.synth import taps as simulator

WALL = """
[laminate]
thickness_mm = 1.6
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
velocity_m_s = 2950.0
"""
TUBE = (
    WALL
    + """
[[zone]]
code = "BM"
shape = "tube"
stations = {stations}
positions = 12
station_pitch_mm = 10.0
girth_mm = 120.0
{extra}

[tap]
taps_per_point = {taps}
"""
)
PANEL = (
    WALL
    + """
[[zone]]
code = "SP"
shape = "panel"
stations = 20
positions = 16
station_pitch_mm = 4.0
position_pitch_mm = 4.0
{extra}

[ascan]
sample_rate_mhz = 100.0
centre_frequency_mhz = 5.0
"""
)
TAPS = TapScene(
    sample_rate_hz=24_000.0, taps=2, lead_s=0.05, interval_s=0.18, tail_s=0.11, interval_spread_s=0.004
)
ASCANS = AScanScene(samples=320)


def tapped(
    defects: Sequence[Defect] = (),
    *,
    seed: int = 1,
    stations: int = 14,
    scene: TapScene = TAPS,
    extra: str = "",
) -> tuple[str, Zone, TapRecordings]:
    """Plan, zone and recordings of a tube of 12 positions."""
    plan = TUBE.format(stations=stations, taps=scene.taps, extra=extra)
    zone = parse_plan(plan).zones[0]
    return plan, zone, simulate_taps(zone, defects, scene, seed)


def another_visit(monkeypatch: pytest.MonkeyPatch, visit: int) -> None:
    """From here on the simulator's parts stay what they are, and every strike and noise is new."""
    drawn = simulator.generator.original if hasattr(simulator.generator, "original") else simulator.generator

    def generator(seed: int, name: str, *place: object) -> np.random.Generator:
        return drawn(seed if name == "part" else seed + 1000 * visit, name, *place)

    generator.original = drawn
    monkeypatch.setattr(simulator, "generator", generator)


def turned(recordings: TapRecordings, by: int) -> TapRecordings:
    """The same tube with its datum line marked elsewhere: every recording `by` positions further on."""
    return TapRecordings(
        np.roll(recordings.samples, by, axis=1),
        recordings.sample_rate_hz,
        np.roll(recordings.onset_s, by, axis=1),
    )


def louder(recordings: TapRecordings, gain: float) -> TapRecordings:
    """The same taps with the recorder's gain set otherwise."""
    return TapRecordings(recordings.samples * np.float32(gain), recordings.sample_rate_hz, recordings.onset_s)


def write_tapped(folder: Path, plan: str, zone: Zone, recordings: TapRecordings) -> Path:
    write_inspection(folder, {"inspection.toml": plan.encode(), **tap_files(zone, recordings)})
    return folder


def write_exactly(folder: Path, plan: str, zone: Zone, recordings: TapRecordings) -> Path:
    """The same as floating-point files, which round nothing."""
    (folder / "taps").mkdir(parents=True)
    (folder / "inspection.toml").write_text(plan, encoding="utf-8")
    for name in tap_files(zone, recordings):
        point = parse_point(Path(name).stem)
        samples = recordings.samples[point.station - 1, point.position - 1]
        soundfile.write(str(folder / name), samples, round(recordings.sample_rate_hz), subtype="FLOAT")
    return folder


def write_scanned(
    folder: Path,
    defects: Sequence[Defect] = (),
    *,
    seed: int = 1,
    scene: AScanScene = ASCANS,
    extra: str = "",
) -> Path:
    plan = PANEL.format(extra=extra)
    zone = parse_plan(plan).zones[0]
    files = ascan_files(zone, simulate_ascans(zone, defects, scene, seed))
    write_inspection(folder, {"inspection.toml": plan.encode(), **files})
    return folder


def analysed(folder: Path) -> Results:
    return tapscan.analyse(tapscan.open_inspection(folder))
