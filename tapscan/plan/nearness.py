"""How near the points of a zone are to each other: what a screening that pools neighbours needs to know."""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.photos.cells import cells_of
from tapscan.plan.surfaces import girth_mm, point_index

if TYPE_CHECKING:
    from scipy.sparse import csr_array

    from tapscan.plan.photos.layout import PhotoLayout
    from tapscan.plan.zones import Zone

__all__ = ["nearness"]

_LEAST = 0.01  # weights below this are left out: the matrix stays sparse


def nearness(zone: "Zone", reach_mm: float) -> "csr_array":
    """Weight of every point for every other, ``exp(-(distance / reach_mm)²)``, as a sparse square matrix.

    Points are counted station by station, as an array over the zone is raveled. Distances are those on the
    unrolled surface, across the seam where that is shorter. Points beside each other always have a weight,
    however coarse the grid: at least that of one reach.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 1, positions = 4, station_pitch_mm = 10.0, '
    >>> nearness(parse_plan(text + 'girth_mm = 40.0}]').zones[0], 10.0).toarray().round(2)
    array([[1.  , 0.37, 0.02, 0.37],
           [0.37, 1.  , 0.37, 0.02],
           [0.02, 0.37, 1.  , 0.37],
           [0.37, 0.02, 0.37, 1.  ]])
    """
    from scipy.sparse import coo_array

    if zone.layout is not None:
        return _on_photo(zone, zone.layout, reach_mm)
    stations, positions = zone.grid_shape
    step_mm = (
        girth_mm(zone) / positions if zone.is_tube else np.full(stations, zone.position_pitch_mm, dtype=float)
    )
    widest = reach_mm * np.sqrt(-np.log(_LEAST))
    along = max(1, int(widest // zone.station_pitch_mm))
    across = max(1, int(widest // step_mm.min()))
    across = min(across, positions // 2 if zone.is_tube else positions - 1)
    station, position = (axis.ravel() for axis in np.indices(zone.grid_shape))
    rows, columns, weights = [], [], []
    for up in range(-along, along + 1):
        # A tube with an even number of positions has one point straight across: count it once.
        for round_ in range(-across, across + 1 - (zone.is_tube and 2 * across == positions)):
            there, beside = station + up, position + round_
            inside = (there >= 0) & (there < stations)
            if zone.is_tube:
                beside %= positions
            else:
                inside &= (beside >= 0) & (beside < positions)
            # On a taper the way round is as long as half way between the two: each is as near the other.
            across_mm = (step_mm[station] + step_mm[np.clip(there, 0, stations - 1)]) / 2
            square = (up * zone.station_pitch_mm) ** 2 + (round_ * across_mm) ** 2
            weight = np.exp(-square / reach_mm**2)
            if max(abs(up), abs(round_)) == 1:
                weight = np.maximum(weight, np.exp(-float(up**2 + round_**2)))
            inside &= weight >= _LEAST
            rows.append((station * positions + position)[inside])
            columns.append((there * positions + beside)[inside])
            weights.append(weight[inside])
    shape = (station.size, station.size)
    entries = np.concatenate(weights), (np.concatenate(rows), np.concatenate(columns))
    return coo_array(entries, shape=shape).tocsr()


def _on_photo(zone: "Zone", layout: "PhotoLayout", reach_mm: float) -> "csr_array":
    """Weights between the points of a photo; array elements without a point have none."""
    from scipy.sparse import coo_array
    from scipy.spatial import cKDTree

    cells, index = cells_of(layout), point_index(zone)
    widest_mm = reach_mm * float(np.sqrt(-np.log(_LEAST)))
    far = cKDTree(cells.at_mm).query_pairs(widest_mm, output_type="ndarray").astype(np.intp)
    pairs = np.unique(np.sort(np.vstack([far, cells.pairs]), axis=1), axis=0)
    apart_mm = np.linalg.norm(cells.at_mm[pairs[:, 0]] - cells.at_mm[pairs[:, 1]], axis=1)
    weight = np.exp(-((apart_mm / reach_mm) ** 2))
    size = len(cells.at_mm)
    is_beside = np.isin(pairs @ (size, 1), cells.pairs @ (size, 1))
    spacing_mm = np.maximum(*cells.spacing_mm[pairs.T])
    weight = np.where(is_beside, np.maximum(weight, np.exp(-((apart_mm / spacing_mm) ** 2))), weight)
    both = np.vstack([pairs, pairs[:, ::-1], np.column_stack([np.arange(size)] * 2)])
    weights = np.concatenate([weight, weight, np.ones(size)])
    shape = (zone.stations * zone.positions,) * 2
    return coo_array((weights, (index[both[:, 0]], index[both[:, 1]])), shape=shape).tocsr()
