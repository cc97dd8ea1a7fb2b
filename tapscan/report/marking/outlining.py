"""Outlines of indications on the developed surface: what is drawn on the part, and what a cutter follows."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.developed import columns, cut_columns, path_mm, pieces
from tapscan.report.words import blocks_of, short_id
from tapscan.screening.results import UNREAD

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from tapscan.plan.points import Block
    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Indication, Method, Screened

    Grid = NDArray[np.float64]

__all__ = ["Outline", "block_ring", "outlines_of", "ring_columns", "ring_pieces", "unread_rings"]


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """One indication laid flat: `lines` in mm (u, v), closed or cut at the sheet's edge.

    `label_mm` is the place on it that is farthest from station 1, where its number goes.
    """

    number: str
    method: "Method"
    lines: "tuple[Grid, ...]"
    label_mm: tuple[float, float]


def outlines_of(screened: "Iterable[Screened]") -> list[Outline]:
    """Develop all outlines of a zone. One that crosses the cut goes on at the sheet's other edge."""
    found = [_outline(one.zone, indication) for one in screened for indication in one.indications]
    return [outline for outline in found if outline is not None]


def _outline(zone: "Zone", indication: "Indication") -> Outline | None:
    rings = [ring_columns(zone, ring) for ring in indication.outline]
    cut = [piece for ring in rings for piece in ring_pieces(zone, ring, *cut_columns(zone))]
    if not cut:
        return None
    largest = max(cut, key=lambda piece: float(np.ptp(piece[:, 1]) * np.ptp(piece[:, 0])))
    lines = tuple(path_mm(zone, piece) for piece in cut)
    edge = path_mm(zone, largest)
    u, v = edge[int(np.argmax(edge[:, 0]))]
    return Outline(short_id(indication), indication.method, lines, (float(u), float(v)))


def ring_columns(zone: "Zone", ring: "Iterable[tuple[float, float]]") -> "Grid":
    """Turn a ring of (x_mm, s_mm) into one of (x_mm, column), closed, and kept within the zone's ends."""
    corners = np.asarray(list(ring), dtype=float)
    if tuple(corners[0]) != tuple(corners[-1]):
        corners = np.vstack([corners, corners[:1]])
    column = columns(zone, corners[:, 0], corners[:, 1])
    # Rounded, so that a side on the cut is on it, and not a last bit beside it.
    return np.column_stack([np.clip(corners[:, 0], 0, _length_mm(zone)), np.round(column, 9)])


def ring_pieces(zone: "Zone", ring: "Grid", low: float, high: float) -> "list[Grid]":
    """Cut a ring (x_mm, column) to the columns from `low` to `high`, whole turns of a tube away as well."""
    if not zone.is_tube:
        return pieces(ring, low, high)
    count = zone.positions
    first = int(np.floor((low - ring[:, 1].max()) / count))
    last = int(np.ceil((high - ring[:, 1].min()) / count))
    return [
        piece
        for turn in range(first, last + 1)
        for piece in pieces(ring + np.array([0.0, turn * count]), low, high)
    ]


def block_ring(zone: "Zone", block: "Block") -> "Grid":
    """Return the closed edge of a block's cells, corners (x_mm, column)."""
    pitch = zone.station_pitch_mm
    x_low, x_high = (block.first_station - 1) * pitch, block.last_station * pitch
    low, high = block.first_position - 1.5, block.last_position - 0.5
    return np.array([(x_low, low), (x_high, low), (x_high, high), (x_low, high), (x_low, low)])


def unread_rings(screened: "Screened") -> "list[Grid]":
    """Develop the edges of everything unread, block by block."""
    zone = screened.zone
    return [path_mm(zone, block_ring(zone, block)) for block in blocks_of(screened.status == UNREAD)]


def _length_mm(zone: "Zone") -> float:
    return zone.stations * zone.station_pitch_mm
