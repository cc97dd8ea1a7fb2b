"""The demo's junction: an invented lug with a bonded insert, on a rendered photo, and its simulated scans.

Lengths in mm count from the upper left corner of the lug's box, x to the right and y down, in the plane of
its face. The camera is a pinhole, turned about an upright axis.
"""

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.text.reading import parse_plan
from tapscan.synth.ascans import AScanScene, Insert, simulate_ascans
from tapscan.synth.defects import Defect
from tapscan.synth.folder import ascan_files
from tapscan.synth.rendered.picture import grey_png, write_words
from tapscan.synth.seeds import generator

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.synth.ascans import AScanVolume

    Floats = NDArray[np.float64]

__all__ = ["JUNCTION_CODE", "JUNCTION_DEFECTS", "PHOTO_NAME", "junction_files", "junction_zone_text"]

JUNCTION_CODE, PHOTO_NAME = "LG", "photos/lug.png"
STATIONS, POSITIONS, PITCH_MM = 18, 12, 5.0
LENGTH_MM, HEIGHT_MM, HOLE_MM, HOLE_RADIUS_MM = 90.0, 60.0, (66.0, 30.0), 8.0
INSERT_MM = (5.0, 35.0)  # from, to along x, over the whole height
SQUARE_MM, SIDE_MM = (5.0, 66.0), 45.0  # upper left corner of the printed square
WALL_MM = 3.0
_INSIDE_MM = 2.0  # between a point and the nearest edge

# The first is an ordinary delamination; at the depth of the wall the insert has come off.
JUNCTION_DEFECTS = (
    Defect(x_mm=49.0, s_mm=14.0, radius_mm=9.0, depth_mm=1.2),
    Defect(x_mm=19.0, s_mm=38.0, radius_mm=9.0, depth_mm=WALL_MM),
)

_SIZE_PX, _FOCAL_PX, _FAR_MM = (960, 720), 2950.0, 500.0
_MIDDLE_PX, _MIDDLE_MM, _TILT_DEG = (480.0, 355.0), (45.0, 54.0), 18.0
_HIDDEN = (7, 4)  # a point where the probe had no couplant


def junction_files(seed: int) -> dict[str, bytes]:
    """Compute photo and scans, by name below the demo's folder; the same bytes every time."""
    zone = _flat_zone()
    scene = AScanScene(samples=400, insert=Insert(*INSERT_MM))
    # On a grid that is not a photo, s begins half a pitch below the edge.
    defects = [replace(one, s_mm=one.s_mm - PITCH_MM / 2) for one in JUNCTION_DEFECTS]
    volume = simulate_ascans(zone, defects, scene, seed)
    return {PHOTO_NAME: _photo(seed), **ascan_files(zone, replace(volume, samples=_only_on_the_lug(volume)))}


def junction_zone_text(photo: bytes) -> str:
    """Write the junction's table for the plan."""
    names = [f'["{i:02d}-{p:02d}", {x:.1f}, {y:.1f}]' for (i, p), (x, y) in _points_px()]
    points = ",\n".join("    " + ", ".join(names[k : k + 5]) for k in range(0, len(names), 5))
    first, last = round(INSERT_MM[0] / PITCH_MM) + 1, round(INSERT_MM[1] / PITCH_MM)
    return f"""
[[zone]]                       # a shape that does not unroll: planned on a photo
code = "{JUNCTION_CODE}"
name = "Lug at the cross tube, with its bonded insert"
shape = "photo"
photo = "{PHOTO_NAME}"      # rendered: SYNTHETIC is written into it
photo_sha256 = "{hashlib.sha256(photo).hexdigest()}"
square = {{corners = {_text(_seen_px(_square_mm()))}, side_mm = {SIDE_MM}}}
outline = {_text(_seen_px(_outline_mm()))}
holes = [{_text(_seen_px(_circle_mm(HOLE_MM, HOLE_RADIUS_MM, 24)))}]
thickness_mm = {WALL_MM}
bonded = ["{first:02d}-01:{last:02d}-{POSITIONS}"]   # the insert behind the wall
points = [
{points},
]
"""


def _flat_zone() -> "Zone":
    """Lay a plain grid where the points are, so that they can be scanned."""
    return parse_plan(f"""[[zone]]
code = "{JUNCTION_CODE}"
shape = "panel"
stations = {STATIONS}
positions = {POSITIONS}
station_pitch_mm = {PITCH_MM}
position_pitch_mm = {PITCH_MM}
thickness_mm = {WALL_MM}
density_kg_m3 = 1550.0
velocity_m_s = 2950.0
""").zones[0]


def _grid_mm() -> "Floats":
    """Places of the grid, (stations, positions, 2)."""
    at = [(np.arange(count) + 0.5) * PITCH_MM for count in (STATIONS, POSITIONS)]
    return np.stack(np.meshgrid(*at, indexing="ij"), axis=-1)


def _inside_mm(at_mm: "Floats") -> "Floats":
    """Distance of places (..., 2) to the lug's nearest edge, negative off the lug."""
    x, y = at_mm[..., 0], at_mm[..., 1]
    radius = HEIGHT_MM / 2
    middle = LENGTH_MM - radius
    end = radius - np.hypot(x - middle, y - radius)
    root = np.minimum.reduce([x, y, HEIGHT_MM - y])
    outer = np.where(x > middle, end, root)
    return np.asarray(np.minimum(outer, np.hypot(x - HOLE_MM[0], y - HOLE_MM[1]) - HOLE_RADIUS_MM))


def _only_on_the_lug(volume: "AScanVolume") -> "NDArray[np.float32]":
    samples = volume.samples.copy()
    samples[_inside_mm(_grid_mm()) <= _INSIDE_MM] = np.nan
    samples[_HIDDEN[0] - 1, _HIDDEN[1] - 1] = np.nan
    return samples


def _points_px() -> list[tuple[tuple[int, int], tuple[float, float]]]:
    """Station and position of each point of the lug, and where the photo shows it."""
    grid = _grid_mm()
    names = np.argwhere(_inside_mm(grid) > _INSIDE_MM)
    seen = _seen_px(grid[tuple(names.T)]).tolist()
    return [((int(i) + 1, int(p) + 1), (x, y)) for (i, p), (x, y) in zip(names, seen, strict=True)]


def _circle_mm(middle_mm: tuple[float, float], radius_mm: float, corners: int) -> "Floats":
    turn = np.arange(corners) * 2 * np.pi / corners
    return np.asarray(np.array(middle_mm) + radius_mm * np.column_stack([np.cos(turn), np.sin(turn)]))


def _outline_mm() -> "Floats":
    radius = HEIGHT_MM / 2
    turn = np.linspace(-np.pi / 2, np.pi / 2, 25)
    end = np.array([LENGTH_MM - radius, radius]) + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    return np.vstack([[(0.0, 0.0)], end, [(0.0, HEIGHT_MM)]])


def _square_mm() -> "Floats":
    corners = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    return np.asarray(np.array(SQUARE_MM) + SIDE_MM * corners)


def _text(places: "Floats") -> str:
    return "[" + ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in places.tolist()) + "]"


def _seen_px(at_mm: "Floats") -> "Floats":
    """Where the camera sees places (n, 2) of the face."""
    x, y = (at_mm - np.array(_MIDDLE_MM)).T
    turn = np.radians(_TILT_DEG)
    seen = np.column_stack([x * np.cos(turn), y]) * (_FOCAL_PX / (_FAR_MM + x * np.sin(turn)))[:, None]
    return np.asarray(np.array(_MIDDLE_PX) + seen)


def _faced_mm(at_px: "Floats") -> "Floats":
    """Which places of the face pixels (n, 2) show: the camera's view solved for them."""
    u, v = ((at_px - np.array(_MIDDLE_PX)) / _FOCAL_PX).T
    turn = np.radians(_TILT_DEG)
    x = u * _FAR_MM / (np.cos(turn) - u * np.sin(turn))
    return np.asarray(np.column_stack([x, v * (_FAR_MM + x * np.sin(turn))]) + np.array(_MIDDLE_MM))


def _photo(seed: int) -> bytes:
    """Render bench, lug, crayon dots and printed square; what is not sharp in it is the 16 greys' grain."""
    wide, high = _SIZE_PX
    pixels = np.stack(np.meshgrid(np.arange(wide) + 0.5, np.arange(high) + 0.5), axis=-1).reshape(-1, 2)
    at = _faced_mm(pixels)
    x, y = at.T
    grey = 196.0 - 0.25 * y + 5.0 * np.sin(0.4 * y + 0.6 * np.sin(0.05 * x))  # the bench's grain
    inside = _inside_mm(at)
    shadow = _inside_mm(at - (2.5, 3.0))
    grey = np.where((shadow > 0) & (inside <= 0), grey - 70.0, grey)
    weave = np.where(((x + y) // 2.0 + 2 * (y // 2.0)) % 4 < 2, 62.0, 84.0)
    lug = weave + 10.0 * np.exp(-np.maximum(inside, 0.0) / 1.5) + 0.3 * (x - 45.0)
    grey = np.where(inside > 0, lug, grey)
    paper = np.max(np.abs(at - _square_mm().mean(axis=0)), axis=1) - SIDE_MM / 2
    grey = np.where(paper < 3.0, np.where(np.abs(paper) < 0.5, 25.0, 242.0), grey)
    grid = _grid_mm()
    dots = grid[_inside_mm(grid) > _INSIDE_MM]
    off = at - (np.floor(at / PITCH_MM) + 0.5) * PITCH_MM
    is_dot = (np.hypot(*off.T) < 0.6) & (inside > _INSIDE_MM - 0.6) & (_cell_of(at, dots))
    grey = np.where(is_dot, 225.0, grey)
    grain = generator(seed, "grain", JUNCTION_CODE).uniform(-8.5, 8.5, grey.size)
    picture = (grey + grain).reshape(high, wide)
    # Once large, and once where every map of the zone shows it.
    write_words(picture, "SYNTHETIC", (high - 70, wide - 360), 6)
    write_words(picture, "SYNTHETIC", (28, 622), 2)
    return grey_png(picture)


def _cell_of(at_mm: "Floats", dots_mm: "Floats") -> "NDArray[np.bool_]":
    """Whether places are in a square of the grid that holds a point."""
    kept = {(int(i), int(p)) for i, p in np.floor(dots_mm / PITCH_MM)}
    has_one = np.zeros((STATIONS, POSITIONS), dtype=bool)
    has_one[tuple(np.array(sorted(kept)).T)] = True
    cell = np.floor(at_mm / PITCH_MM).astype(int)
    within = (cell >= 0).all(axis=1) & (cell < (STATIONS, POSITIONS)).all(axis=1)
    return np.asarray(within & has_one[tuple(np.clip(cell, 0, (STATIONS - 1, POSITIONS - 1)).T)])
