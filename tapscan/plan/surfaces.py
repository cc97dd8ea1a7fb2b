"""Where each point of a zone is, and how much surface belongs to it.

All functions take a `Zone` and return arrays of shape ``(stations, positions)`` unless they say otherwise.
"""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.photos.cells import cells_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from tapscan.plan.points import Block
    from tapscan.plan.zones import Zone

__all__ = [
    "block_mask",
    "cell_area_mm2",
    "girth_mm",
    "has_stations",
    "placed",
    "point_index",
    "s_mm",
    "slant",
    "station_shape",
    "walk",
    "x_mm",
]


def x_mm(zone: "Zone") -> "NDArray[np.float64]":
    """Distance of every point from the zone's first edge, along its axis.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> x_mm(zone)[:, 0].tolist()
    [5.0, 15.0]
    """
    if zone.layout is not None:
        return _on_photo(zone, cells_of(zone.layout).at_mm[:, 0])
    along = (np.arange(zone.stations) + 0.5) * zone.station_pitch_mm
    return np.broadcast_to(along[:, None], zone.grid_shape)


def girth_mm(zone: "Zone") -> "NDArray[np.float64]":
    """Circumference at every station of a tube, linear between its two edges; shape ``(stations,)``.

    Raises
    ------
    ValueError
        When the zone is a panel.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_start_mm = 80.0, girth_end_mm = 60.0}]').zones[0]
    >>> girth_mm(zone).tolist()
    [75.0, 65.0]
    """
    if zone.girth_start_mm is None or zone.girth_end_mm is None:
        msg = f"zone {zone.code} is a panel and has no girth"
        raise ValueError(msg)
    fraction = (np.arange(zone.stations) + 0.5) / zone.stations
    return zone.girth_start_mm + (zone.girth_end_mm - zone.girth_start_mm) * fraction


def s_mm(zone: "Zone") -> "NDArray[np.float64]":
    """Distance of every point from the datum line, round the girth or across the panel.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> s_mm(zone)[0].tolist()
    [0.0, 20.0, 40.0, 60.0]
    """
    if zone.layout is not None:
        return _on_photo(zone, cells_of(zone.layout).at_mm[:, 1])
    steps = np.arange(zone.positions)
    if zone.is_tube:
        return girth_mm(zone)[:, None] / zone.positions * steps
    assert zone.position_pitch_mm is not None  # the plan's check sees to it
    return np.broadcast_to(steps * zone.position_pitch_mm, zone.grid_shape)


def cell_area_mm2(zone: "Zone") -> "NDArray[np.float64]":
    """Surface area that belongs to every point.

    On a tube a station's cells share the lateral area of its conical frustum, mean girth times slant height,
    with the slant along the wall, ``sqrt(pitch² + Δradius²)``. (Elementary geometry.)

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> cell_area_mm2(zone)[0].tolist()
    [200.0, 200.0, 200.0, 200.0]
    """
    if zone.layout is not None:
        return np.nan_to_num(_on_photo(zone, cells_of(zone.layout).area_mm2))
    if not zone.is_tube:
        assert zone.position_pitch_mm is not None  # the plan's check sees to it
        return np.full(zone.grid_shape, zone.station_pitch_mm * zone.position_pitch_mm)
    widths_mm = girth_mm(zone) / zone.positions
    return np.broadcast_to((widths_mm * zone.station_pitch_mm * slant(zone))[:, None], zone.grid_shape)


def placed(zone: "Zone") -> "NDArray[np.bool_]":
    """Mark the array elements that are points: all of them, but on a photo only those that have a place."""
    if zone.layout is None:
        return np.ones(zone.grid_shape, dtype=bool)
    return np.isfinite(_on_photo(zone, cells_of(zone.layout).area_mm2))


def has_stations(zone: "Zone") -> bool:
    """Whether points with names beside each other are beside each other; scattered ones are not."""
    return zone.layout is None or cells_of(zone.layout).is_lattice


def station_shape(zone: "Zone") -> tuple[int, int]:
    """Shape in which each row is a station: one row of all points where their names mean no stations."""
    return zone.grid_shape if has_stations(zone) else (1, zone.stations * zone.positions)


def point_index(zone: "Zone") -> "NDArray[np.intp]":
    """Index of every point of a zone on a photo in its raveled arrays, in the order of the layout."""
    assert zone.layout is not None
    names = [(point.station - 1, point.position - 1) for point in zone.layout.points]
    return np.array([i * zone.positions + p for i, p in names], dtype=np.intp)


def _on_photo(zone: "Zone", values: "NDArray[np.float64]") -> "NDArray[np.float64]":
    """Put values of the points of a photo into an array over the zone, NaN where there is no point."""
    whole = np.full(zone.stations * zone.positions, np.nan)
    whole[point_index(zone)] = values
    return whole.reshape(zone.grid_shape)


def slant(zone: "Zone") -> float:
    """Length along the wall over length along the axis: 1 unless the tube tapers."""
    if zone.girth_start_mm is None or zone.girth_end_mm is None:
        return 1.0
    radius_change_mm = (zone.girth_end_mm - zone.girth_start_mm) / (2 * np.pi)
    return float(np.hypot(1.0, radius_change_mm / (zone.stations * zone.station_pitch_mm)))


def block_mask(zone: "Zone", blocks: "Iterable[Block]") -> "NDArray[np.bool_]":
    """Mark the points in any of the blocks; a block on a tube may cross the seam.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> from tapscan.plan import parse_block
    >>> block_mask(zone, [parse_block("01-04:01-01")]).astype(int).tolist()
    [[1, 0, 0, 1], [0, 0, 0, 0]]
    """
    mask = np.zeros(zone.grid_shape, dtype=bool)
    for block in blocks:
        first, last = block.first_position - 1, block.last_position - 1
        stations = slice(block.first_station - 1, block.last_station)
        if first <= last:
            mask[stations, first : last + 1] = True
        else:
            mask[stations, first:] = True
            mask[stations, : last + 1] = True
    return mask


def neighbours(zone: "Zone", mask: "NDArray[np.bool_]") -> "NDArray[np.bool_]":
    """Mark the points that touch a marked one, diagonals and the seam included, without the marked ones.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> zone = parse_plan('zone = [{code = "A", shape = "tube", stations = 2, positions = 5, '
    ...                   'station_pitch_mm = 5.0, girth_mm = 50.0}]').zones[0]
    >>> mask = np.zeros((2, 5), dtype=bool)
    >>> mask[0, 0] = True
    >>> neighbours(zone, mask).astype(int).tolist()
    [[0, 1, 0, 0, 1], [1, 1, 0, 0, 1]]
    """
    if zone.layout is not None:
        pairs = point_index(zone)[cells_of(zone.layout).pairs]
        marked, near = mask.ravel(), np.zeros(mask.size, dtype=bool)
        near[pairs[marked[pairs[:, 0]], 1]] = True
        near[pairs[marked[pairs[:, 1]], 0]] = True
        return np.asarray(near.reshape(mask.shape) & ~mask)
    along = mask.copy()
    along[1:] |= mask[:-1]
    along[:-1] |= mask[1:]
    near = along.copy()
    near[:, 1:] |= along[:, :-1]
    near[:, :-1] |= along[:, 1:]
    if zone.is_tube:
        near[:, 0] |= along[:, -1]
        near[:, -1] |= along[:, 0]
    return near & ~mask


def walk(zone: "Zone") -> "list[tuple[int, int]]":
    """List (station, position), counted from 1, in walking order: station by station, skips left out.

    Every station is walked from position 1 upward: on a tube that is once round, always the same way,
    so that nobody has to remember which way the last row went.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0, skip = ["01-02:02-03"]}]').zones[0]
    >>> walk(zone)
    [(1, 1), (1, 4), (2, 1), (2, 4)]
    """
    skipped = block_mask(zone, zone.skip)
    return [(int(i) + 1, int(p) + 1) for i, p in np.argwhere(~skipped)]
