"""Lines along which a zone may be cut: stations and positions of a grid, straight lines over a photo."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.photos.cells import cells_of
from tapscan.plan.photos.layout import PhotoLayout
from tapscan.plan.surfaces import point_index
from tapscan.plan.zones import Zone

__all__ = ["CutLine", "cut_lines"]

Numbers = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class CutLine:
    """A possible cut, counted from 0; `at` picks its points out of an array over the zone, in walking order.

    On a grid it has a station or a position; on a photo it runs from `ends_mm` (x, s, x, s) on the face. The
    two ways, ``across`` and ``along``, are at right angles.
    """

    way: str
    at: tuple[Numbers, Numbers]
    station: int | None = None
    position: int | None = None
    ends_mm: tuple[float, float, float, float] | None = None


def cut_lines(zone: Zone) -> list[CutLine]:
    """List the lines that a zone may be cut along.

    A saw cuts straight. So on a photo a line is straight on the face, whatever the points are called, along
    one of the two sides of the picture, through one of the points; it shows all points that are no farther
    from it than half of their spacing.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "SP", shape = "panel", stations = 2, positions = 3, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'position_pitch_mm = 10.0}]').zones[0]
    >>> [(line.way, line.station, line.position) for line in cut_lines(zone)][1:3]
    [('across', 1, None), ('along', None, 0)]
    """
    if zone.layout is not None:
        return list(_straight(zone, zone.layout))
    stations, positions = (np.arange(count) for count in zone.grid_shape)
    across = [CutLine("across", (np.full_like(positions, i), positions), station=int(i)) for i in stations]
    along = [CutLine("along", (stations, np.full_like(stations, p)), position=int(p)) for p in positions]
    return across + along


def _straight(zone: Zone, layout: PhotoLayout) -> Iterator[CutLine]:
    cells, index = cells_of(layout), point_index(zone)
    seen: set[tuple[int, ...]] = set()
    for way, fixed in (("across", 0), ("along", 1)):
        for middle in np.unique(cells.at_mm[:, fixed]):
            near = np.flatnonzero(np.abs(cells.at_mm[:, fixed] - middle) <= cells.spacing_mm / 2)
            near = near[np.argsort(cells.at_mm[near, 1 - fixed], kind="stable")]
            if tuple(near) in seen:
                continue
            seen.add(tuple(near))
            first, last = cells.at_mm[near[[0, -1]], 1 - fixed] + cells.spacing_mm[near[[0, -1]]] * (
                -0.5,
                0.5,
            )
            ends = (middle, first, middle, last) if fixed == 0 else (first, middle, last, middle)
            rows, columns = np.divmod(index[near], zone.positions)
            x, s, to_x, to_s = (round(float(end), 2) for end in ends)
            yield CutLine(way, (rows, columns), ends_mm=(x, s, to_x, to_s))
