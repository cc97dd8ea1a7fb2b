"""The keys of a zone on a photo, checked: table in, layout out, every mistake with its key and its remedy."""

import csv
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from tapscan.errors import TapscanError
from tapscan.pictures import picture_facts, sha256_of
from tapscan.plan.photos.cells import cells_of, inside
from tapscan.plan.photos.layout import KnownLength, PhotoLayout, PhotoPoint, Pixel, PrintedSquare
from tapscan.plan.photos.scale import polygon_area, to_mm
from tapscan.plan.points import Block, parse_block

__all__ = [
    "MOST_POINTS",
    "PHOTO_HINTS",
    "PHOTO_KEYS",
    "grid_keys",
    "layout_of",
    "readable_keys",
    "unnamed_blocks",
]

# Called with a key, what is wrong with it, and the remedy.
Add = Callable[[str, str, str], None]

MOST_POINTS = 5000  # policy: far more than anybody marks on one photo
MOST_NAMES = 100_000  # numerical: arrays hold an element for every name that might be
MOST_FILE_BYTES = 1_000_000
MOST_PX = 1_000_000  # numerical: far beyond the corner of any picture that is read
SAME_PLACE_PX = 1.0  # two clicks on one pixel are one place

PHOTO_HINTS = {
    "photo": 'the picture in the inspection folder, such as "photos/lug.jpg"',
    "points": 'a list such as [["01-01", 812, 440], ["01-02", 861, 452]], or a file "photos/lug.csv" with '
    "the columns point,x_px,y_px",
    "scale": "lengths measured on the part, such as [{from = [210, 900], to = [1190, 902], "
    "length_mm = 50.0}]",
    "square": "a printed square on the part, such as {corners = [[10, 10], [90, 12], [88, 95], [9, 91]], "
    "side_mm = 30.0}",
    "outline": "the corners of what is inspected, such as [[300, 200], [1500, 210], [1490, 1100], "
    "[310, 1090]]",
    "holes": "a list of outlines of holes",
}

Number = Annotated[float, Field(ge=-MOST_PX, le=MOST_PX)] | Annotated[int, Field(ge=-MOST_PX, le=MOST_PX)]
Place = Annotated[list[Number], Field(min_length=2, max_length=2)]
Millimetres = Annotated[float | int, Field(gt=0, le=1e5, allow_inf_nan=False)]
Ring = Annotated[list[Place], Field(min_length=3, max_length=1000)]


class _Length(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    start: Place = Field(alias="from")
    end: Place = Field(alias="to")
    length_mm: Millimetres


class _Square(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    corners: Annotated[list[Place], Field(min_length=4, max_length=4)]
    side_mm: Millimetres


class _PhotoTable(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    photo: str
    photo_sha256: str = ""
    scale: Annotated[list[_Length], Field(min_length=1, max_length=1000)] | None = None
    square: _Square | None = None
    outline: Ring
    holes: list[Ring] = Field(default_factory=list)
    points: list[Annotated[list[str | Number], Field(min_length=3, max_length=3)]] | str


PHOTO_KEYS = tuple(_PhotoTable.model_fields)
# What a table needs so that its other keys can be read.
_ANY_TABLE: dict[str, Any] = {"photo": "", "outline": [[0, 0], [1, 0], [1, 1]], "points": []}


@dataclass(frozen=True, slots=True)
class _Row:
    name: str
    at_px: Pixel


def layout_of(table: Mapping[str, Any], folder: Path | None, add: Add) -> PhotoLayout | None:
    """Read the photo keys of a zone's table; None when something is wrong, which `add` is called with.

    With a `folder` the photo itself is checked, too.
    """
    faults = _Faults(add)
    read = _validated(table, faults)
    if read is None:
        return None
    rows = _rows(read.points, folder, faults)
    if faults.count:
        return None
    code = str(table.get("code", ""))
    points = _points(rows, code, faults)
    layout = PhotoLayout(
        photo=read.photo,
        sha256=read.photo_sha256,
        lengths=tuple(map(_length, read.scale or ())),
        square=_square(read.square, faults),
        outline_px=tuple(map(_pixel, read.outline)),
        holes_px=tuple(tuple(map(_pixel, ring)) for ring in read.holes),
        points=points,
        points_file=read.points if isinstance(read.points, str) else "",
    )
    _check_scale(layout, faults)
    _check_rings(layout, faults)
    _check_places(layout, faults)
    if folder is not None:
        _check_photo(layout, folder, faults)
    return None if faults.count else layout


def readable_keys(table: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Give the photo keys of a zone's table that can be read, right or wrong, with all points listed."""
    given = {key: table[key] for key in PHOTO_KEYS if key in table}
    try:
        _PhotoTable.model_validate({**_ANY_TABLE, **given})
    except ValidationError as error:
        odd = {one["loc"][0] for one in error.errors(include_url=False)}
        given = {key: value for key, value in given.items() if key not in odd}
    faults = _Faults(lambda *_: None)
    rows = _rows(given.get("points", []), folder, faults)
    return {**given, "points": [[row.name, *row.at_px] for row in rows]}


def grid_keys(layout: PhotoLayout) -> dict[str, Any]:
    """Give what the rest of a zone's table needs: how far the names reach, and the usual spacing."""
    spacing_mm = float(np.median(cells_of(layout).spacing_mm))
    return {
        "stations": max(point.station for point in layout.points),
        "positions": max(point.position for point in layout.points),
        "station_pitch_mm": spacing_mm,
        "position_pitch_mm": spacing_mm,
    }


def unnamed_blocks(layout: PhotoLayout | None) -> tuple[Block, ...]:
    """Name the array elements of a zone on a photo that no point has, a run along a station at a time."""
    if layout is None:
        return ()
    there = {(point.station, point.position) for point in layout.points}
    wide = max(position for _, position in there)
    blocks = []
    for station in range(1, max(station for station, _ in there) + 1):
        held = sorted(position for i, position in there if i == station)
        for before, after in pairwise([0, *held, wide + 1]):
            if after - before > 1:
                blocks.append(Block(station, before + 1, station, after - 1))
    return tuple(blocks)


class _Faults:
    """Hands mistakes on, and counts them."""

    def __init__(self, add: Add) -> None:
        self._add = add
        self.count = 0

    def add(self, key: str, what: str, remedy: str) -> None:
        self.count += 1
        self._add(key, what, remedy)


def _validated(table: Mapping[str, Any], faults: _Faults) -> _PhotoTable | None:
    try:
        return _PhotoTable.model_validate({key: table[key] for key in PHOTO_KEYS if key in table})
    except ValidationError as error:
        for key in dict.fromkeys(str(one["loc"][0]) for one in error.errors(include_url=False)):
            if key in table:
                faults.add(key, f"{key} cannot be read", f"give {PHOTO_HINTS.get(key, 'text in quotes')}")
            else:
                faults.add(key, f'{key} is missing for shape "photo"', f"add {key} = …, {PHOTO_HINTS[key]}")
    return None


def _length(one: _Length) -> KnownLength:
    return KnownLength(_pixel(one.start), _pixel(one.end), float(one.length_mm))


def _pixel(place: list[float | int]) -> Pixel:
    return float(place[0]), float(place[1])


def _rows(points: list[list[str | float | int]] | str, folder: Path | None, faults: _Faults) -> list[_Row]:
    if not isinstance(points, str):
        return _listed_rows(points, faults)
    if folder is None:
        faults.add("points", f"points are in {points}, which is not at hand", "list them in the plan")
        return []
    path = folder / points
    if not path.resolve().is_relative_to(folder.resolve()):
        faults.add("points", f"{points} is outside the inspection", "put the file into photos/")
        return []
    try:
        if path.stat().st_size > MOST_FILE_BYTES:
            faults.add("points", f"{points} is over 1 MB", "check that it is the right file")
            return []
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        faults.add("points", f"{points} is missing or no text", f"give {PHOTO_HINTS['points']}")
        return []
    return _csv_rows(text, points, faults)


def _listed_rows(points: list[list[str | float | int]], faults: _Faults) -> list[_Row]:
    rows = []
    for name, x, y in points:
        if isinstance(name, str) and not isinstance(x, str) and not isinstance(y, str):
            rows.append(_Row(name, (float(x), float(y))))
        else:
            what = f"points: {[name, x, y]} is not a name and two pixels"
            faults.add("points", what, 'write it as ["01-02", 861, 452]')
    return rows


def _csv_rows(text: str, name: str, faults: _Faults) -> list[_Row]:
    """Read the lines of a file of points; comments begin with #."""
    rows = []
    lines = (line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    for number, cells in enumerate(csv.reader(lines)):
        try:
            point, x, y = (cell.strip() for cell in cells)
            rows.append(_Row(point, (float(x), float(y))))
        except ValueError:
            if number == 0:  # the line of headings
                continue
            remedy = "write lines such as 01-02,861,452"
            faults.add(
                "points", f"{name}: the line {','.join(cells)!r} is not a point with its pixels", remedy
            )
            break
    return rows


def _points(rows: list[_Row], code: str, faults: _Faults) -> tuple[PhotoPoint, ...]:
    points: dict[tuple[int, int], PhotoPoint] = {}
    if not rows:
        faults.add("points", "there is no point", f"add points = …, {PHOTO_HINTS['points']}")
    if len(rows) > MOST_POINTS:
        faults.add("points", f"{len(rows):,} points, more than {MOST_POINTS:,}", "split the zone")
        return ()
    for row in rows:
        block = parse_block(row.name.removeprefix(f"{code}-"))
        if block is None or ":" in row.name or not np.isfinite(row.at_px).all():
            faults.add("points", f"points: {row.name!r} is not a point", 'write it as ["01-02", 861, 452]')
            continue
        name = block.first_station, block.first_position
        if min(name) < 1:
            faults.add("points", f"points: {row.name!r} counts from 0", "count stations and positions from 1")
        elif name in points:
            faults.add("points", f"points: {block} is there twice", "give each point its own name")
        else:
            points[name] = PhotoPoint(*name, row.at_px)
    reach = [max((name[k] for name in points), default=1) for k in (0, 1)]
    if reach[0] * reach[1] > MOST_NAMES:
        what = f"names of points reach to {reach[0]:02d}-{reach[1]:02d}, for {len(points)} points"
        faults.add("points", what, "number stations and positions from 01 without large gaps")
        return ()
    return tuple(points[name] for name in sorted(points))


def _square(table: _Square | None, faults: _Faults) -> PrintedSquare | None:
    """Put the corners in order, clockwise as seen; they must be those of a convex quadrangle."""
    if table is None:
        return None
    corners = np.array(table.corners, dtype=float)
    away = corners - corners.mean(axis=0)
    ordered = corners[np.argsort(np.arctan2(away[:, 1], away[:, 0]), kind="stable")]
    sides = np.roll(ordered, -1, axis=0) - ordered
    following = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]
    if not np.isfinite(corners).all() or (turns <= SAME_PLACE_PX).any():
        what = "square: the four corners are not those of a square seen from the front"
        faults.add("square", what, "mark its four corners again")
        return None
    a, b, c, d = ((float(x), float(y)) for x, y in ordered)
    return PrintedSquare((a, b, c, d), float(table.side_mm))


def _check_scale(layout: PhotoLayout, faults: _Faults) -> None:
    if layout.square is not None and layout.lengths:
        faults.add("scale", "scale and square are both given", "keep the square alone: it gives perspective")
    if layout.square is None and not layout.lengths and not faults.count:
        what = "there is no scale"
        faults.add("scale", what, f"add scale = …, {PHOTO_HINTS['scale']}, or square = …")
    for one in layout.lengths:
        if np.hypot(*np.subtract(one.end_px, one.start_px)) < SAME_PLACE_PX:
            what = f"scale: both ends of {one.length_mm:g} mm are at one place"
            faults.add("scale", what, "mark two places far apart")


def _check_rings(layout: PhotoLayout, faults: _Faults) -> None:
    for key, ring in (("outline", layout.outline_px), *(("holes", hole) for hole in layout.holes_px)):
        corners = np.array(ring)
        if not np.isfinite(corners).all() or abs(polygon_area(corners)) < 1:
            faults.add(key, f"{key} encloses nothing", f"give {PHOTO_HINTS[key]}")


def _check_places(layout: PhotoLayout, faults: _Faults) -> None:
    """Refuse two points at one place, and points beyond the outline or in a hole."""
    if faults.count:
        return
    at = np.array([point.at_px for point in layout.points])
    names = [f"{point.station:02d}-{point.position:02d}" for point in layout.points]
    apart = np.linalg.norm(at[:, None] - at[None], axis=2)
    for n, other in np.argwhere(np.triu(apart < SAME_PLACE_PX, 1)):
        what = f"points: {names[n]} and {names[other]} are at one place"
        faults.add("points", what, "move one of them, or take it out")
    out = ~inside(at, np.array(layout.outline_px))
    for hole in layout.holes_px:
        out |= inside(at, np.array(hole))
    if out.any():
        named = ", ".join(name for name, is_out in zip(names, out, strict=True) if is_out)
        what = f"points: outside the outline, or in a hole: {named}"
        faults.add("points", what, "draw the outline round all points, or take these out")
    elif not faults.count and not np.isfinite(to_mm(layout, at)).all():
        faults.add("square", "square: points are beyond its horizon", "mark its four corners again")


def _check_photo(layout: PhotoLayout, folder: Path, faults: _Faults) -> None:
    """Refuse a photo that is missing, replaced, or too small for what is placed on it."""
    path = folder / layout.photo
    if not path.resolve().is_relative_to(folder.resolve()):
        faults.add("photo", f"{layout.photo} is outside the inspection", "put the photo into photos/")
        return
    try:
        facts = picture_facts(path, layout.photo)
    except TapscanError as error:
        faults.add("photo", f"{layout.photo} {error.what}", error.remedy)
        return
    digest = sha256_of(path)
    if not layout.sha256:
        what = "photo_sha256 is missing, so that a replaced photo would not be noticed"
        faults.add("photo_sha256", what, f'add photo_sha256 = "{digest}"')
    elif layout.sha256 != digest:
        what = f"{layout.photo} is not the photo that the points were placed on"
        remedy = f'put that photo back, or place the points again and set photo_sha256 = "{digest}"'
        faults.add("photo", what, remedy)
    named = [(f"{one.station:02d}-{one.position:02d}", one.at_px) for one in layout.points]
    size = (facts.width_px, facts.height_px)
    out = [name for name, at in named if not (0 <= at[0] <= size[0] and 0 <= at[1] <= size[1])]
    if out:
        what = f"points: outside the picture of {size[0]} × {size[1]} pixels: {', '.join(out)}"
        faults.add("points", what, "place them on the picture, pixels from its upper left corner")
