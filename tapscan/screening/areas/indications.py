"""Suspect points to connected areas, with outline, area and what the grid can say of its edges.

The edge of a delamination runs somewhere between the last suspect point and the first clear one. The outline
puts it where the *strength* (score over the suspect limit, saturating at twice the limit) interpolates to
one half of its full value: the half-amplitude rule, which ultrasonic sizing uses on amplitudes, applied to
the score. The bounds need no interpolation: the true edge passes neither inside the suspect points nor
outside the clear ones, of which those that are in doubt do not count.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone, neighbours, point_name
from tapscan.plan.photos.scale import area_share
from tapscan.plan.surfaces import slant
from tapscan.screening.areas.photo_areas import connected, photo_outline
from tapscan.screening.results import Indication, Kind, Method

__all__ = [
    "DOUBTFUL_P",
    "LIKELY",
    "Area",
    "Evidence",
    "doubtful_points",
    "find_indications",
    "label_areas",
    "likely_areas",
    "strength_of",
    "zone_areas",
]

Ring = tuple[tuple[float, float], ...]
Mask = NDArray[np.bool_]
Grid = NDArray[np.float64]

# A tap reaches as far as its contact and half of it may be on good laminate: over a rim, and over what is
# deep, a reading is not called though it is poor. What fewer good readings than this share would be is no
# proof that the edge has been passed.
DOUBTFUL_P = 0.05
UNREAD_STRENGTH = 0.25  # half way down to clear: an outline passes through an unread point
LIKELY = 0.5  # policy: an area is made of points where damage is more likely than not
# Policy: and it is listed when that is so four times in five at its strongest point, or when one sound zone
# in twenty at most would hold a point as rare. Whoever cuts where an area is listed should seldom cut sound
# laminate; what is likely but not listed stays as suspect points.
LISTED, LISTED_RATE = 0.8, 0.05
# Levels at which a 0/1 mask is contoured to run just outside its points, or just inside its neighbours.
_INNERMOST, _OUTERMOST = 0.999, 0.001
# Parts of a pitch that an outline has corners at, and points beside them that have a say in it.
_PARTS, _BESIDE = 4, 2


@dataclass(frozen=True, slots=True, eq=False)
class Area:
    """One connected set of suspect points. `members` has shape (stations, positions)."""

    members: Mask
    first_column: int  # a column from which the area can be read clockwise without meeting the seam
    kind: Kind = "delamination"


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What speaks for damage at each point; arrays of (stations, positions).

    `score` is 1 at the suspect limit, NaN where unread; `strength` runs from 0 to 1 and is one half at the
    edge of damage; `doubtful` points beside an area are no proof of its edge; `depth_mm` of the echo, NaN
    where there is none, or None when the method gives no depth; `sure` points are damaged in all likelihood,
    so that an area is no smaller than they are: all that are called when None.
    """

    score: Grid
    strength: Grid
    doubtful: Mask
    depth_mm: Grid | None = None
    sure: Mask | None = None


def strength_of(score: Grid) -> Grid:
    """Turn scores into strengths from 0 to 1, one half at the suspect limit of 1.

    A laminate is either whole or not at a given spot: how far beyond twice the limit a score is says nothing
    about where the edge is, so it does not push the outline outward.

    Examples
    --------
    >>> strength_of(np.array([0.0, 0.5, 1.0, 25.0]))
    array([0.  , 0.25, 0.5 , 1.  ])
    """
    return np.asarray(np.clip(score / 2, 0.0, 1.0))


def doubtful_points(p_value: Grid, skipped: Mask) -> Mask:
    """Mark points that may be damaged though they are not called: unread, or not like many good ones.

    Examples
    --------
    >>> doubtful_points(np.array([0.5, 0.02, np.nan, np.nan]), np.array([False, False, False, True]))
    array([False,  True,  True, False])
    """
    return np.asarray((np.isnan(p_value) & ~skipped) | (p_value < DOUBTFUL_P))


def zone_areas(zone: Zone, suspect: Mask, kind: Kind = "delamination") -> list[Area]:
    """Group points of a zone suspect of one kind that are neighbours, largest first."""
    if zone.layout is None:
        return label_areas(suspect, closed=zone.is_tube, kind=kind)
    found = [Area(members, 0, kind) for members in connected(zone, suspect)]
    return sorted(found, key=lambda area: -int(area.members.sum()))


def label_areas(suspect: Mask, *, closed: bool, kind: Kind = "delamination") -> list[Area]:
    """Group points suspect of one kind that touch, diagonals included, and across the seam when `closed`.

    Areas come in a fixed order (largest first, then by their first point on the grid), so that nothing
    depends on how the points were collected.
    """
    from scipy.ndimage import label

    labels, _ = label(suspect, structure=np.ones((3, 3)))
    for up in (-1, 0, 1) if closed else ():
        for station in range(max(up, 0), len(labels) + min(up, 0)):
            one, other = labels[station, -1], labels[station - up, 0]
            if one and other:
                labels[labels == other] = one
    masks = [labels == number for number in dict.fromkeys(labels[suspect].tolist())]
    areas = [Area(members, _first_column(members) if closed else 0, kind) for members in masks]
    return sorted(areas, key=lambda area: -int(area.members.sum()))


def likely_areas(zone: Zone, suspect: Mask, probability: Grid, p_value: Grid | None = None) -> list[Area]:
    """Group the suspect points where damage is more likely than not, and keep what is worth listing.

    The probability is that of all parts that the damage class learned from. In a zone that scatters less than
    those the p-values show damage sooner, corrected for the number of points (Benjamini & Hochberg, J. Roy.
    Stat. Soc. B 57, 1995, 289-300, from memory). Between two visits, where another hand makes points rare,
    too, none are given, and the probability alone lists an area.
    """
    from scipy.stats import false_discovery_control

    listed = probability >= LISTED
    if p_value is not None:
        read = np.isfinite(p_value)
        listed[read] |= false_discovery_control(p_value[read]) <= LISTED_RATE
    areas = zone_areas(zone, suspect & (probability >= LIKELY))
    return [area for area in areas if listed[area.members].any()]


def _first_column(members: Mask) -> int:
    """Find the column after the widest gap: from there the area runs clockwise in one piece."""
    filled = members.any(axis=0)
    if filled.all() or not filled.any():
        return 0
    count = filled.size
    columns = np.flatnonzero(filled)
    gaps = (np.roll(columns, -1) - columns - 1) % count
    return int(columns[(int(np.argmax(gaps)) + 1) % columns.size])


def find_indications(
    zone: Zone, method: Method, areas: list[Area], evidence: Evidence
) -> tuple[Indication, ...]:
    """Describe each area (from `label_areas`) as an `Indication`, the largest first."""
    called = np.any([area.members for area in areas], axis=0)
    beside = replace(evidence, doubtful=evidence.doubtful & ~called)
    described = [_describe(zone, method, area, beside) for area in areas]
    described.sort(key=lambda one: (-one.area_mm2, -one.score, one.peak_point))
    letter = "T" if method == "tap" else "A"
    return tuple(_renamed(one, f"{zone.code}-{letter}{number}") for number, one in enumerate(described, 1))


def _renamed(indication: Indication, name: str) -> Indication:
    return replace(indication, id=name)


def _describe(zone: Zone, method: Method, area: Area, evidence: Evidence) -> Indication:
    score, depth_mm = evidence.score, evidence.depth_mm
    level = np.where(np.isnan(evidence.strength), UNREAD_STRENGTH, evidence.strength)
    # A point just at the limit is within its own outline.
    own = np.where(area.members, np.maximum(level, 0.501), np.minimum(level, 0.49))
    rings, area_mm2 = _outline(zone, area, own, 0.5, is_smooth=True)
    inner = area.members if evidence.sure is None else area.members & evidence.sure
    least_mm2 = _outline(zone, area, inner.astype(float), _INNERMOST)[1]
    most = _with(area, evidence.doubtful & neighbours(zone, area.members), closed=zone.is_tube)
    most_mm2 = _outline(zone, most, most.members.astype(float), _OUTERMOST)[1]
    if zone.layout is not None:  # the photo's scale is not sure, either
        share = area_share(zone.layout)
        least_mm2, most_mm2 = min(area_mm2, least_mm2) * (1 - share), max(area_mm2, most_mm2) * (1 + share)
    outline = np.vstack([np.asarray(ring) for ring in rings])
    peak = np.unravel_index(int(np.nanargmax(np.where(area.members, score, -np.inf))), score.shape)
    depth = None
    if depth_mm is not None and np.isfinite(depth_mm[area.members]).any():
        depth = float(np.nanmedian(depth_mm[area.members]))
    return Indication(
        id="",
        zone=zone.code,
        method=method,
        points=tuple(point_name(zone.code, int(i) + 1, int(p) + 1) for i, p in np.argwhere(area.members)),
        area_mm2=area_mm2,
        area_low_mm2=min(area_mm2, least_mm2),
        area_high_mm2=max(area_mm2, most_mm2),
        x_mm=(float(outline[:, 0].min()), float(outline[:, 0].max())),
        s_mm=_extent_s_mm(zone, area, outline),
        depth_mm=depth,
        peak_point=point_name(zone.code, int(peak[0]) + 1, int(peak[1]) + 1),
        score=float(score[peak]),
        outline=rings,
        kind=area.kind,
    )


def _with(area: Area, more: Mask, *, closed: bool) -> Area:
    members = area.members | more
    return replace(area, members=members, first_column=_first_column(members) if closed else 0)


def _outline(
    zone: Zone, area: Area, field: Grid, level: float, *, is_smooth: bool = False
) -> tuple[tuple[Ring, ...], float]:
    """Contour `field` at `level` round one area: rings in mm, holes after their ring, and the true area.

    Straight from one crossing of a grid line to the next a line cuts off what a round rim bulges by, some 3 %
    of a disc six pitches wide; with `is_smooth` the field is followed in between.
    """
    from contourpy import FillType, contour_generator

    if zone.layout is not None:
        return photo_outline(zone, zone.layout, (area.members, field), level, is_smooth=is_smooth)
    columns, rows, turned = _laid_flat(zone, area, field)
    if is_smooth:
        period = zone.positions if zone.is_tube else None
        near = _laid_flat(zone, area, area.members.astype(float))[2]
        rows, turned = _smooth(rows, turned.T, near.max(axis=1) > 0)
        columns, turned = _smooth(columns, turned.T, near.max(axis=0) > 0, period)
    generator = contour_generator(columns, rows, turned, fill_type=FillType.OuterOffset)
    rings: list[Ring] = []
    total = 0.0
    for points, offsets in zip(*generator.filled(level, 2.0), strict=True):
        for start, end in pairwise(offsets):
            ring = _to_mm(zone, points[start:end])
            total += _signed_area(ring)  # holes run the other way round
            rings.append(tuple((float(x), float(s)) for x, s in ring))
    return tuple(rings), abs(total) * slant(zone)


def _laid_flat(zone: Zone, area: Area, field: Grid) -> tuple[Grid, Grid, Grid]:
    """Lay a field flat with one area in one piece: column and row indices, and the field on them."""
    stations, positions = field.shape
    if not zone.is_tube:
        # A panel's outer points count for half a pitch beyond themselves, and so do a zone's end stations.
        turned = np.hstack([field[:, :1], field, field[:, -1:]])
        columns = np.concatenate([[-0.5], np.arange(positions), [positions - 0.5]])
    elif area.members.any(axis=0).all():
        # All round: the ring is cut open half way between two columns, and loses nothing there. Every other
        # pair of columns has a half way too, so that the contour does not show where the cut was made.
        halves = (field + np.roll(field, -1, axis=1)) / 2
        turned = np.stack([field, halves], axis=2).reshape(stations, -1)
        turned = np.hstack([halves[:, -1:], turned])
        columns = np.arange(-1, 2 * positions) / 2
    else:
        # Cut open along the clear column before the area, which is then at either edge.
        shift = area.first_column - 1
        turned = np.roll(field, -shift, axis=1)
        turned = np.hstack([turned, turned[:, :1]])
        columns = np.arange(positions + 1.0) + shift
    turned = np.vstack([turned[:1], turned, turned[-1:]])
    rows = np.concatenate([[-0.5], np.arange(stations), [stations - 0.5]])
    return columns, rows, turned


def _smooth(at: Grid, field: Grid, near: Mask, period: float | None = None) -> tuple[Grid, Grid]:
    """Interpolate a field (n, len(at)) between its columns, as far as those that are `near` and one beyond.

    By cubics that never overshoot (Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5, 1984, 300-304, as SciPy
    has them), so that every point stays on the side of a contour that it was on.
    """
    from scipy.interpolate import PchipInterpolator

    there = np.flatnonzero(near)
    first, last = max(int(there[0]) - 1, 0), min(int(there[-1]) + 1, len(at) - 1)
    fine = np.interp(np.arange((last - first) * _PARTS + 1) / _PARTS + first, np.arange(len(at)), at)
    if period is not None:
        before, after = slice(-1 - _BESIDE, -1), slice(1, 1 + _BESIDE)
        at = np.concatenate([at[before] - period, at, at[after] + period])
        field = np.hstack([field[:, before], field, field[:, after]])
        first, last = first + _BESIDE, last + _BESIDE
    some = slice(max(first - _BESIDE, 0), last + _BESIDE + 1)
    return fine, np.asarray(PchipInterpolator(at[some], field[:, some], axis=1)(fine))


def _to_mm(zone: Zone, index: Grid) -> Grid:
    """Turn (column, row) indices of a ring into (x_mm, s_mm)."""
    column, row = index[:, 0], index[:, 1]
    along = (row + 0.5) * zone.station_pitch_mm
    if not zone.is_tube:
        assert zone.position_pitch_mm is not None
        return np.column_stack([along, column * zone.position_pitch_mm])
    girth = _girth_at_mm(zone, along)
    return np.column_stack([along, column * girth / zone.positions])


def _signed_area(ring: Grid) -> float:
    """Shoelace formula (elementary geometry)."""
    x, s = ring[:, 0], ring[:, 1]
    return float(0.5 * np.sum(x[:-1] * s[1:] - x[1:] * s[:-1]))


def _extent_s_mm(zone: Zone, area: Area, outline: Grid) -> tuple[float, float]:
    """Clockwise extent (start, end), folded onto 0…girth on a tube; all of it for an area all round."""
    if not zone.is_tube:
        return float(outline[:, 1].min()), float(outline[:, 1].max())
    # On a taper the same s is another share of the girth at another station: fold by the girth there.
    girth = _girth_at_mm(zone, outline[:, 0])
    share = outline[:, 1] / girth
    first, last = int(np.argmin(share)), int(np.argmax(share))
    if area.members.any(axis=0).all() or share[last] - share[first] >= 1:
        return 0.0, float(girth[first])
    return float(outline[first, 1] % girth[first]), float(outline[last, 1] % girth[last])


def _girth_at_mm(zone: Zone, along_mm: Grid) -> Grid:
    """Girth of a tube at any distance along its axis."""
    assert zone.girth_start_mm is not None  # the plan's check sees to it
    assert zone.girth_end_mm is not None
    share = along_mm / (zone.stations * zone.station_pitch_mm)
    return zone.girth_start_mm + (zone.girth_end_mm - zone.girth_start_mm) * share
