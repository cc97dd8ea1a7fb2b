"""A scanned panel of any number of points as an analysis would leave it, to try the page's pictures on."""

from dataclasses import asdict
from pathlib import Path

import numpy as np

from tapscan.analysis import Results
from tapscan.desk.bench import Analysed, Bench
from tapscan.plan import point_name
from tapscan.screening.results import AScanEvidence, Indication, Screened

SAMPLES, RATE_HZ = 256, 50e6
VELOCITY_M_S, WALL_MM = 2950.0, 3.0
FRONT_US = 0.6

PLAN = """\
[part]
name = "Scanned panel"

[laminate]
thickness_mm = 3.0
velocity_m_s = 2950.0

[[zone]]
code = "SC"
name = "Skin"
shape = "panel"
stations = {stations}
positions = {positions}
station_pitch_mm = 1.0
position_pitch_mm = 1.0
skip = ["01-01:{left_out}-04"]

[ascan]
sample_rate_mhz = 50.0
"""


def scanned_bench(folder: Path, stations: int, positions: int) -> Bench:
    """Write a folder with a plan and traces, and lay an analysis of it on a bench."""
    (folder / "ascans").mkdir(parents=True)
    plan = PLAN.format(stations=stations, positions=positions, left_out=stations // 5)
    (folder / "inspection.toml").write_text(plan, encoding="utf-8")
    bench = Bench(folder)
    depth_mm = depths(stations, positions)
    traces = np.lib.format.open_memmap(
        folder / "ascans" / "SC.npy", "w+", np.int8, (stations, positions, SAMPLES)
    )
    shapes = _shapes()
    for station in range(stations):
        traces[station] = shapes[np.nan_to_num(depth_mm[station] * 20).astype(int)]
    traces.flush()
    inspection = bench.inspection()
    (zone,) = inspection.plan.zones
    screened = _screened(zone, depth_mm, traces)
    results = Results(inspection, (screened,), _summary(inspection.plan), lambda _: folder)
    bench.analysed = Analysed(results, bench.fingerprint(), 1)
    return bench


def depths(stations: int, positions: int) -> np.ndarray:
    """Depth of what is inside at each point, in mm; NaN where there is nothing: two delaminations."""
    station, position = np.indices((stations, positions))
    depth = np.full((stations, positions), np.nan)
    for x, s, r, deep in ((0.3, 0.4, 0.08, 0.8), (0.7, 0.6, 0.12, 2.0)):
        inside = np.hypot(station - x * stations, position - s * positions) < r * min(stations, positions)
        depth[inside] = deep
    return depth


def _shapes() -> np.ndarray:
    """Traces by depth in steps of 0.05 mm; the first has the back wall alone."""
    time_us = np.arange(SAMPLES) / RATE_HZ * 1e6

    def pulse(at_us: float) -> np.ndarray:
        since = time_us - at_us
        return np.exp(-((since / 0.12) ** 2)) * np.cos(2 * np.pi * 5 * since)

    wall_us = FRONT_US + 2000 * WALL_MM / VELOCITY_M_S
    rows = [70 * pulse(FRONT_US) - 50 * pulse(wall_us)]
    for step in range(1, 61):
        inside_us = FRONT_US + 2000 * step * 0.05 / VELOCITY_M_S
        rows.append(70 * pulse(FRONT_US) - 45 * pulse(inside_us) - 5 * pulse(wall_us))
    return np.rint(rows).astype(np.int8)


def _screened(zone, depth_mm, traces) -> Screened:
    stations, positions = depth_mm.shape
    is_inside = np.isfinite(depth_mm)
    status = np.where(is_inside, "suspect", "clear")
    status[-stations // 6 :, : positions // 5] = "unread"
    status[: stations // 5, :4] = "skipped"
    read = np.isin(status, ("clear", "suspect"))
    rng = np.random.default_rng(1)
    score = np.where(is_inside, 1.6, 0.5 + 0.3 * rng.random(depth_mm.shape))
    rows = {
        "tof_us": np.where(read, depth_mm * 2000 / VELOCITY_M_S, np.nan),
        "depth_mm": np.where(read, depth_mm, np.nan),
        "thickness_mm": np.where(
            read & ~is_inside, WALL_MM + 0.05 * rng.standard_normal(depth_mm.shape), np.nan
        ),
        "backwall_db": np.where(read, np.where(is_inside, -20.0, -3.0), np.nan),
    }
    evidence = AScanEvidence(
        traces,
        RATE_HZ,
        np.where(read, FRONT_US, np.nan),
        np.where(read, FRONT_US + depth_mm * 2000 / VELOCITY_M_S, np.nan),
        np.where(read, FRONT_US + 2000 * WALL_MM / VELOCITY_M_S, np.nan),
        _shapes()[0].astype(float),
    )
    return Screened(
        zone=zone,
        method="ascan",
        status=status,
        reason=np.where(status == "unread", "no echo", ""),
        score=np.where(read, score, np.nan),
        p_value=np.where(read, np.where(is_inside, 1e-6, 0.5), np.nan),
        is_reference=np.zeros(depth_mm.shape, bool),
        features=rows,
        indications=_indications(stations, positions),
        baseline="The zone itself.",
        evidence=evidence,
    )


def _indications(stations: int, positions: int) -> tuple[Indication, ...]:
    found = []
    for number, (x, s, r, deep) in enumerate(((0.3, 0.4, 0.08, 0.8), (0.7, 0.6, 0.12, 2.0)), 1):
        u, v, radius = x * stations + 0.5, s * positions, r * min(stations, positions)
        turn = np.linspace(0, 2 * np.pi, 120)
        ring = tuple(zip(u + radius * np.cos(turn), v + radius * np.sin(turn), strict=True))
        peak = point_name("SC", int(u) + 1, int(v) + 1)
        area = float(np.pi * radius**2)
        found.append(
            Indication(
                f"SC-A{number}",
                "SC",
                "ascan",
                (peak,),
                area,
                0.9 * area,
                1.1 * area,
                (u - radius, u + radius),
                (v - radius, v + radius),
                deep,
                peak,
                1.6,
                (ring,),
            )
        )
    return tuple(found)


def _summary(plan) -> dict[str, object]:
    nothing = {"warnings": [], "inputs": {}, "agreement": [], "against": []}
    return {"version": "0", "run": "0" * 64, "settings": asdict(plan), **nothing}
