"""Make `waves.npz`, A-scans by a general acoustics library: ``python -m tests.independent.make_waves``.

The Python port of k-Wave (Treeby & Cox, J. Biomed. Opt. 15, 2010, 021314, from memory) solves the acoustic
equations in two dimensions, with its solver in NumPy: nothing of it was written here. It is needed for this
script only (``pip install k-wave-python``); the arrays are kept, some 100 kB.

A plane pulse of 5 MHz goes down through water, 1 mm of it, into 2 mm of laminate without loss, ply by ply of
slightly unlike density, and what comes back is averaged over the 3 mm of each reading. The gas behind the
wall returns 0.96 of an echo. Distances are whole cells of 1/16 mm. The four lines take four minutes.
"""

import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["CASES", "LINE_MM", "PITCH_MM", "RATE_MHZ"]

CELL_MM = 1 / 16
LINE_MM, PITCH_MM, PROBE_MM, RATE_MHZ = 40, 1, 3.0, 100.0
WATER_MM, WALL_MM, BELOW_MM, PULSE_MHZ = 1.0, 2.0, 2.0, 5.0
FIRST_US, LAST_US = 0.95, 4.3  # from after the transmitted pulse to before the wall's second round trip
# Velocity in m/s and density in kg/m³ (handbook values, from memory).
WATER, LAMINATE, RESIN, ALUMINIUM = (1480.0, 1000.0), (2950.0, 1570.0), (2550.0, 1220.0), (6300.0, 2700.0)
AIR = (1480.0, 60.0)  # thinner, the solver is unstable where the wall steps
PLY_MM, PLY_SPREAD = 0.25, 0.02
GLUE_MM, SHEET_MM = 0.125, 0.125

Array = np.ndarray[Any, Any]
# Takes x, and depth below the front surface, in mm; gives each cell's place in MATERIALS.
Part = Callable[[Array, Array], Array]
MATERIALS = np.array([WATER, LAMINATE, AIR, RESIN, ALUMINIUM])


def _wall(x: Array, z: Array, thick_mm: Array | float = WALL_MM) -> Array:
    return np.where(z < 0, 0, np.where(z < thick_mm, 1, 2)) + 0 * x.astype(int)


def _sheet(part: Array, x: Array, z: Array, where_mm: tuple[float, float], depth_mm: float) -> Array:
    inside = (x > where_mm[0]) & (x < where_mm[1]) & (z > depth_mm) & (z < depth_mm + SHEET_MM)
    return np.where(inside, 2, part)


def rim(x: Array, z: Array) -> Array:
    """A delamination from 15 to 24 mm, 1 mm deep."""
    return _sheet(_wall(x, z), x, z, (15.0, 24.0), 1.0)


def step(x: Array, z: Array) -> Array:
    """A wall of 2 mm that is 1.625 mm thick beyond 20 mm."""
    return _wall(x, z, np.where(x < 20.0, 2.0, 1.625))


def under_a_drop(x: Array, z: Array) -> Array:
    """The same step, and a delamination from 15 to 26 mm, 0.75 mm deep."""
    return _sheet(step(x, z), x, z, (15.0, 26.0), 0.75)


def insert(x: Array, z: Array) -> Array:
    """An aluminium insert glued behind 8 to 36 mm, its glue gone from 15 to 24 mm."""
    over, loose = (x > 8.0) & (x < 36.0), (x > 15.0) & (x < 24.0)
    glued = np.where(z < WALL_MM + GLUE_MM, 3, 4)
    glued = np.where(loose & (z < WALL_MM + GLUE_MM), 2, glued)
    return np.where(over & (z > WALL_MM), glued, _wall(x, z))


CASES: dict[str, Part] = {"rim": rim, "step": step, "under_a_drop": under_a_drop, "insert": insert}


def line(part: Part) -> Array:
    """Scan one line over a part: (stations, samples), single precision."""
    from kwave.kgrid import kWaveGrid
    from kwave.kmedium import kWaveMedium
    from kwave.ksensor import kSensor
    from kwave.ksource import kSource
    from kwave.kspaceFirstOrder import kspaceFirstOrder
    from scipy.interpolate import CubicSpline

    shape = (round((WATER_MM + WALL_MM + BELOW_MM) / CELL_MM), round(LINE_MM / CELL_MM))
    z = (np.arange(shape[0]) + 0.5) * CELL_MM - WATER_MM
    x = (np.arange(shape[1]) + 0.5) * CELL_MM
    kind = part(x[None, :], z[:, None])
    velocity, density = (MATERIALS[kind, k] for k in (0, 1))
    ply = np.floor(z / PLY_MM)[:, None] + 0 * x
    density = np.where(kind == 1, density * (1 + PLY_SPREAD * np.sin(2.4 * ply**2)), density)
    grid = kWaveGrid(shape, (CELL_MM * 1e-3, CELL_MM * 1e-3))
    step_s = 0.3 * CELL_MM * 1e-3 / float(velocity.max())
    grid.setTime(int(LAST_US * 1e-6 / step_s) + 8, step_s)
    time_us = np.arange(int(grid.Nt)) * step_s * 1e6
    source, top = kSource(), np.zeros(shape)
    top[0] = 1
    source.p_mask = top
    late = time_us - 0.4
    source.p = (np.exp(-((late / 0.13) ** 2)) * np.sin(2 * np.pi * PULSE_MHZ * late))[None]
    heard = kspaceFirstOrder(
        grid, kWaveMedium(velocity, density=density), source, kSensor(top, ["p"]), pml_size=12, quiet=True
    )["p"]
    at = (np.arange(LINE_MM // PITCH_MM) + 0.5) * PITCH_MM
    beam = np.abs(x[None] - at[:, None]) < PROBE_MM / 2
    mean = beam @ np.asarray(heard) / beam.sum(axis=1, keepdims=True)
    wanted_us = np.arange(FIRST_US, LAST_US, 1 / RATE_MHZ)
    return np.asarray(CubicSpline(time_us, mean, axis=1)(wanted_us), dtype=np.float32)


def main() -> None:
    # On import the library fetches compiled solvers. The one in NumPy needs none of them.
    urllib.request.urlretrieve = lambda _url, path, *_: (Path(path).touch(), None)  # type: ignore[assignment]
    lines = {}
    for name, part in CASES.items():
        lines[name] = line(part)
        print(name, lines[name].shape, float(np.abs(lines[name]).max()), flush=True)
    np.savez_compressed(Path(__file__).parent / "waves.npz", **lines)


if __name__ == "__main__":
    main()
