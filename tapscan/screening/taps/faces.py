"""What sound laminate follows over the face of an odd shape, where no stations run straight across it.

A zone on a photo whose names form a straight grid has levels of stations and positions, as a panel has. Where
the grid is bent, or the points are scattered, a row of names is no line along which the part is alike. There
sound readings follow the place itself: a surface of the second degree, and what an edge does. A free or
stiffened edge changes a tap by the evanescent part of its bending waves, exp(-k d) at the distance d from it
(Cremer, Heckl & Ungar, *Structure-Borne Sound*, ch. 3, from memory).
"""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.photos.cells import cells_of
from tapscan.plan.photos.scale import to_mm
from tapscan.plan.surfaces import point_index

if TYPE_CHECKING:
    from tapscan.plan.photos.cells import Cells
    from tapscan.plan.photos.layout import PhotoLayout
    from tapscan.plan.zones import Zone

__all__ = ["face_terms", "followed"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Policy: where points are farther off the straight lines of their names, in spacings, these are no stations.
STRAIGHT = 0.25
# Derived: 1/k of bending waves at 5 kHz in a wall of 1.6 mm and 60 GPa (15 mm at 2 kHz, 6 at 13 kHz), where
# the fourth power of k is ω² ρ h / D. One length for all bands: terms of two are too alike for few points.
EDGE_MM = 10.0
ROUNDS = 12  # numerical: of reweighting; the levels have settled
# Numerical: deviations below this share of the usual one count by their squares, so that weights are finite.
SOFT = 0.3
FEWEST = 3  # readings to a term: with fewer there is one level for all


def face_terms(zone: "Zone") -> Floats | None:
    """Give what readings may follow over a face, (points, terms); None where stations and positions do.

    Array elements that no point has are rows like the face's middle.
    """
    layout = zone.layout
    if layout is None:
        return None
    cells = cells_of(layout)
    if cells.is_lattice and _off_straight(layout, cells) <= STRAIGHT:
        return None
    away = cells.at_mm - cells.at_mm.mean(axis=0)
    x, s = (away / max(float(np.abs(away).max()), 1e-9)).T
    edge_mm = _from_edge_mm(layout, cells.at_mm)
    own = np.column_stack([np.ones(len(x)), x, s, x * x, x * s, s * s, np.exp(-edge_mm / EDGE_MM)])
    terms = np.zeros((zone.stations * zone.positions, own.shape[1]))
    terms[:, 0] = 1.0
    terms[point_index(zone)] = own
    return terms


def followed(terms: Floats, values: Floats, sound: Mask) -> Floats:
    """Fit `values` (points, features) by `terms` (points, terms); the fit, (points, features).

    The sum of absolute deviations of the `sound` readings is least, as medians make it: by least squares,
    weighted again and again (Huber, *Robust Statistics*, 1981, ch. 7, from memory).

    Examples
    --------
    >>> terms = np.column_stack([np.ones(7), np.arange(7.0)])
    >>> values = 2.0 + 3.0 * np.arange(7.0)[:, None]
    >>> values[3] += 100.0
    >>> followed(terms, values, np.ones(7, dtype=bool))[3].round(1)
    array([11.])
    """
    used = sound & np.isfinite(values).all(axis=1)
    if used.sum() < FEWEST * terms.shape[1]:
        terms = terms[:, :1]
    given, wanted = terms[used], values[used]
    tiny = 1e-9 * len(given) * np.eye(terms.shape[1])
    weight = np.ones_like(wanted)
    for _ in range(ROUNDS):
        normal = np.einsum("nk,nf,nl->fkl", given, weight, given) + tiny
        right = np.einsum("nk,nf->fk", given, weight * wanted)
        factors = np.linalg.solve(normal, right[..., None])[..., 0].T
        off = np.abs(wanted - given @ factors)
        usual = np.maximum(np.median(off, axis=0), 1e-9)
        weight = 1 / np.maximum(off / usual, SOFT)
    return np.asarray(terms @ factors)


def _off_straight(layout: "PhotoLayout", cells: "Cells") -> float:
    """How far points are from a straight grid of their names, in spacings (root mean square)."""
    names = np.array([(1.0, one.station, one.position) for one in layout.points])
    fitted = names @ np.linalg.lstsq(names, cells.at_mm, rcond=None)[0]
    off_mm = np.sqrt(((cells.at_mm - fitted) ** 2).sum(axis=1).mean())
    return float(off_mm / np.median(cells.spacing_mm))


def _from_edge_mm(layout: "PhotoLayout", at_mm: Floats) -> Floats:
    """Distance of places (n, 2) from the nearest side of the outline or of a hole, (n,)."""
    nearest = np.full(len(at_mm), np.inf)
    for ring_px in (layout.outline_px, *layout.holes_px):
        ring = to_mm(layout, np.array(ring_px, dtype=float))
        side = np.roll(ring, -1, axis=0) - ring
        away = at_mm[:, None] - ring[None]
        share = np.clip((away * side).sum(axis=2) / np.maximum((side**2).sum(axis=1), 1e-12), 0, 1)
        nearest = np.minimum(nearest, np.linalg.norm(away - share[..., None] * side, axis=2).min(axis=1))
    return nearest
