"""Like zones compared: the tapped zone on the other side, point by point.

What like zones share (modes, nodes, stiff ends, taper) cancels in the difference of their readings, point by
point. What is left changes slowly or not at all, so that damage all round a station shows too, which a
zone's own readings cannot separate from a level of that station.

A difference shows that two parts are not alike, not which of them is damaged. Points at which a twin is
suspect by its own readings take no part, so that damage that was there before is not taken for usual, unless
its plan marks them as known to be good. Damage all round the twin escapes those readings.

Mirror images: the part is the same with left for right, so stations count alike and positions count the other
way round. On a tube, with position 1 on the datum of both, position p faces (positions + 2 − p) modulo
positions; on a panel, positions + 1 − p.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.plan import Zone, girth_mm, placed, s_mm, x_mm
from tapscan.screening.known import Known
from tapscan.screening.results import CLEAR, SUSPECT, Screened
from tapscan.screening.taps.readings import TapReadings

__all__ = ["MIN_READINGS", "Match", "Twin", "good_points", "marked_points", "matched", "named", "too_few"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Girths that differ by more than this share do not belong to like zones.
SAME_GIRTH = 0.05
MIN_READINGS = 12  # or differences, for levels and the scatter about them to mean anything
# With fewer partners than this share of its points a zone has no twin worth the name.
LEAST_MATCHED = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """Which point of a twin is where each point of a zone is; all of shape (stations, positions).

    `station` and `position` count from 0 and mean nothing where `found` is false.
    """

    station: NDArray[np.intp]
    position: NDArray[np.intp]
    found: Mask

    def laid(self, values: Floats) -> Floats:
        """Lay a twin's values, (stations, positions, …), onto the zone's grid; NaN where it has no point."""
        there = np.asarray(values, dtype=float)[self.station, self.position]
        there[~self.found] = np.nan
        return there

    def marked(self, points: Mask) -> Mask:
        """Lay marks on a twin's points onto the zone's grid; false where it has no point."""
        return np.asarray(points[self.station, self.position] & self.found)


@dataclass(frozen=True, slots=True, eq=False)
class Twin:
    """A like zone: what was read there, and which of its points are taken to be `good`, on its own grid.

    `good_points` gives those by the twin's own readings; whoever knows more of the part, for instance what
    cutting showed, hands in fewer or more.
    """

    readings: TapReadings
    match: Match
    good: Mask

    @property
    def usable(self) -> Mask:
        """Where on the zone's own grid the twin has a good point."""
        return self.match.marked(self.good)


def good_points(screened: Screened, known: Known | None = None) -> Mask:
    """Mark the points of a zone that are clear by its own readings, or read and known to be good.

    What is `known` from cutting counts before what the readings say.
    """
    read = np.isin(screened.status, (CLEAR, SUSPECT))
    return np.asarray(_not_bad(screened.status == CLEAR, known) | (read & marked_points(screened, known)))


def marked_points(screened: Screened, known: Known | None = None) -> Mask:
    """Mark the points of a zone that its plan calls good, or cutting has shown to be."""
    marked = _not_bad(screened.is_reference, known)
    return marked if known is None else marked | known.good


def _not_bad(mask: Mask, known: Known | None) -> Mask:
    return mask if known is None else np.asarray(mask & ~known.bad)


def matched(zone: Zone, twin: Zone, *, is_mirror: bool = False) -> Match:
    """Find the twin's nearest point for every point of a zone, within half a pitch.

    Points are matched by position on the part: distance along the axis, and share of the girth (or distance
    across a panel, counted from the far edge when mirrored).

    Raises
    ------
    TapscanError
        When the two have another shape or girth, or hardly meet.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "L", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> matched(zone, zone, is_mirror=True).position[0].tolist()
    [0, 3, 2, 1]
    """
    where = f"zone {zone.code}"
    if zone.shape != twin.shape:
        raise TapscanError(
            where, f"is a {zone.shape}, its twin a {twin.shape}", "name a twin of the same shape"
        )
    if zone.is_tube and np.abs(_mean_girth_mm(twin) / _mean_girth_mm(zone) - 1) > SAME_GIRTH:
        what = f"has a girth of {_mean_girth_mm(zone):.0f} mm, its twin of {_mean_girth_mm(twin):.0f} mm"
        raise TapscanError(where, what, "name a part of the same kind")
    if zone.layout is not None:
        return _by_name(zone, twin)
    station, along_mm = _nearest(x_mm(zone)[:, 0], x_mm(twin)[:, 0])
    position, found = _across(zone, twin, is_mirror=is_mirror)
    found = found & (along_mm <= zone.station_pitch_mm / 2 + 1e-9)[:, None]
    if found.mean() < LEAST_MATCHED:
        what = f"meets its twin at {int(found.sum())} of {found.size} points only"
        raise TapscanError(where, what, "name a part that was inspected on the same surface")
    return Match(
        np.broadcast_to(station[:, None], found.shape), np.broadcast_to(position[None], found.shape), found
    )


def _by_name(zone: Zone, twin: Zone) -> Match:
    """Pair the points of two zones on photos by their names."""
    station, position = np.indices(zone.grid_shape)
    there = np.zeros(zone.grid_shape, dtype=bool)
    rows, columns = (min(a, b) for a, b in zip(zone.grid_shape, twin.grid_shape, strict=True))
    there[:rows, :columns] = placed(twin)[:rows, :columns]
    points, found = placed(zone), placed(zone) & there
    if found.sum() < LEAST_MATCHED * points.sum():
        what = f"shares {int(found.sum())} of its {int(points.sum())} points with its twin by name"
        where = f"zone {zone.code}"
        raise TapscanError(where, what, "give points at like places like names in both")
    return Match(np.where(found, station, 0), np.where(found, position, 0), found)


def _mean_girth_mm(zone: Zone) -> float:
    return float(girth_mm(zone).mean())


def _across(zone: Zone, twin: Zone, *, is_mirror: bool) -> tuple[NDArray[np.intp], Mask]:
    """Give the twin's position for each of the zone's, (positions,), and where it is near enough."""
    if zone.is_tube:
        share, other = np.arange(zone.positions) / zone.positions, np.arange(twin.positions) / twin.positions
        apart = share[:, None] + (other if is_mirror else -other)
        apart = np.abs(apart - np.round(apart))
        position = np.argmin(apart, axis=1)
        near = apart[np.arange(zone.positions), position] <= 0.5 / zone.positions + 1e-9
    else:
        seen, there = s_mm(zone)[0], s_mm(twin)[0]
        position, apart_mm = _nearest(seen, there.max() - there if is_mirror else there)
        assert zone.position_pitch_mm is not None  # the plan's check sees to it
        near = apart_mm <= zone.position_pitch_mm / 2 + 1e-9
    return position, np.broadcast_to(near, zone.grid_shape)


def _nearest(wanted_mm: Floats, there_mm: Floats) -> tuple[NDArray[np.intp], Floats]:
    apart_mm = np.abs(wanted_mm[:, None] - there_mm)
    nearest = np.argmin(apart_mm, axis=1)
    return nearest, np.asarray(apart_mm[np.arange(wanted_mm.size), nearest])


def too_few(zone: Zone, source: str, readings: int) -> TapscanError | None:
    """Say that too few readings have a partner to know what is usual between the two; None when enough."""
    wanted = max(MIN_READINGS, int(placed(zone).sum()) // 4)
    if readings >= wanted:
        return None
    what = f"{readings} readings have a good partner in {source}, fewer than {wanted}"
    return TapscanError(f"zone {zone.code}", what, "read more of both, or use another baseline")


def named(source: str, sound: int, alone: int) -> str:
    """Put in words what the baseline is and on how many readings it rests."""
    words = (
        f"The baseline comes from {source}: readings are subtracted point by point; the scatter of the "
        f"{sound} quietest differences decides."
    )
    if alone:
        words += f" At {alone} points there is no sound reading to subtract; the zone's own baseline decides."
    return f"{words} A difference shows that the two are not alike, not which of them is damaged."
