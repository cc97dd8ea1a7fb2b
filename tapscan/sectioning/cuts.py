"""Which cuts answer the most: a greedy choice with a reason for each.

A cut follows one station (round the girth, or across a panel) or one position (along the part). What it is
worth is what is not known yet and what it would tell:

* an indication that no cut has met: is it real, and how deep does it lie;
* its strongest point, and its size the other way when a cut meets it so;
* single points near the limit, which say most about where the limit should be;
* unread points, about which nothing is known;
* clear points, as controls: without them no miss can ever come to light. At least one cut of each zone meets
  nothing but clear points.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.points import point_name
from tapscan.plan.zones import Zone
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD, Screened
from tapscan.sectioning.binomial import least_trials
from tapscan.sectioning.findings import NOT_CUT, Finding, shown
from tapscan.sectioning.reasons import neighbours

__all__ = ["PlannedCut", "plan_cuts"]

Mask = NDArray[np.bool_]

# What one of each is worth; only their order of size matters.
_MET, _STRONGEST, _OTHER_WAY = 10.0, 3.0, 4.0
_NEAR, _UNREAD, _CONTROL, _SPARE_CONTROL = 1.0, 0.5, 0.1, 0.01
_LEAST_WORTH, _MOST_CUTS = 2.0, 12
# Scores between these are near the limit, which is at 1.
_NEAR_SCORES = (0.8, 1.25)
_MOST_NAMED = 3


@dataclass(frozen=True, slots=True)
class PlannedCut:
    """One cut to make: along `station` or along `position` (the other is None), and why it is worth it."""

    zone: str
    station: int | None
    position: int | None
    worth: float
    reason: str
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Area:
    """An indication: its points, its strongest one, and which ways cuts have met it."""

    id: str
    members: Mask
    peak: tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class _Zone:
    """What is known and asked of one zone by all methods together; masks of (stations, positions)."""

    zone: Zone
    areas: tuple[_Area, ...]
    near: Mask
    unread: Mask
    clear: Mask
    quiet: Mask  # neither suspect nor beside a suspect point


def plan_cuts(screened: Sequence[Screened], findings: Sequence[Finding]) -> tuple[PlannedCut, ...]:
    """Choose cuts for all zones, the most telling of each zone first; what is known already counts as known.

    Every choice takes what the earlier ones tell into account. It ends when every indication has been met,
    a control is there, and no cut is worth much more.
    """
    zones = {one.zone.code: one.zone for one in screened}
    return tuple(
        cut
        for code, zone in zones.items()
        for cut in _plan_zone(_ask(zone, [one for one in screened if one.zone.code == code]), findings)
    )


def _ask(zone: Zone, seen: Sequence[Screened]) -> _Zone:
    areas = []
    near, suspect = np.zeros(zone.grid_shape, dtype=bool), np.zeros(zone.grid_shape, dtype=bool)
    unread, clear = np.zeros(zone.grid_shape, dtype=bool), np.ones(zone.grid_shape, dtype=bool)
    for one in seen:
        inside = np.zeros(zone.grid_shape, dtype=bool)
        for indication in one.indications:
            members = np.zeros(zone.grid_shape, dtype=bool)
            for name in indication.points:
                members[_index(name)] = True
            areas.append(_Area(indication.id, members, _index(indication.peak_point)))
            inside |= members
        with np.errstate(invalid="ignore"):
            close = (one.score >= _NEAR_SCORES[0]) & (one.score <= _NEAR_SCORES[1])
        near |= (close | (one.status == SUSPECT)) & ~inside
        suspect |= one.status == SUSPECT
        unread |= one.status == UNREAD
        clear &= (one.status == CLEAR) | (one.status == SKIPPED)
    clear &= ~np.logical_and.reduce([one.status == SKIPPED for one in seen])
    return _Zone(zone, tuple(areas), near, unread, clear, ~(suspect | neighbours(zone, suspect)))


def _plan_zone(asked: _Zone, findings: Sequence[Finding]) -> Iterator[PlannedCut]:
    zone = asked.zone
    known = shown(zone, findings) != NOT_CUT
    lines = [(i, None) for i in range(zone.stations)] + [(None, p) for p in range(zone.positions)]
    masks = [_line_mask(zone, *line) for line in lines]
    # An area that earlier cuts met counts as met both ways where they crossed it both ways.
    met = {area.id: _ways_met(area, known) for area in asked.areas}
    has_control = any(known[mask].all() and not _areas_on(asked, mask) for mask in masks)
    for _ in range(_MOST_CUTS):
        worth = [_worth(asked, mask, line, known, met) for mask, line in zip(masks, lines, strict=True)]
        best = int(np.argmax(worth))
        if worth[best] < _LEAST_WORTH:
            if has_control:
                return
            controls = [
                value if asked.quiet[mask].all() else -1.0 for value, mask in zip(worth, masks, strict=True)
            ]
            best = int(np.argmax(controls))
            if controls[best] <= 0:
                return
        mask, (station, position) = masks[best], lines[best]
        reason = _reason(asked, mask, (station, position), known, met)
        yield PlannedCut(
            zone=zone.code,
            station=None if station is None else station + 1,
            position=None if position is None else position + 1,
            worth=round(worth[best], 2),
            reason=reason,
            points=tuple(_names(zone, mask)),
        )
        for area in _areas_on(asked, mask):
            met[area.id] = met[area.id] | {_way(station)}
        has_control = has_control or not _areas_on(asked, mask)
        known = known | mask


def _worth(
    asked: _Zone,
    mask: Mask,
    line: tuple[int | None, int | None],
    known: Mask,
    met: dict[str, frozenset[str]],
) -> float:
    new = mask & ~known
    worth = _NEAR * np.count_nonzero(asked.near & new) + _UNREAD * np.count_nonzero(asked.unread & new)
    for area in _areas_on(asked, mask):
        if not met[area.id]:
            worth += _MET + (_STRONGEST if mask[area.peak] else 0.0)
            # Of the cuts that meet it anywhere, one through the middle shows most of it.
            worth += np.count_nonzero(area.members & mask) / np.count_nonzero(area.members)
        elif _way(line[0]) not in met[area.id]:
            worth += _OTHER_WAY + (_STRONGEST if mask[area.peak] else 0.0)
    wanted = max(least_trials(0) - int(np.count_nonzero(asked.clear & known)), 0)
    controls = int(np.count_nonzero(asked.clear & new))
    useful = min(controls, wanted)
    return float(worth + _CONTROL * useful + _SPARE_CONTROL * (controls - useful))


def _reason(
    asked: _Zone,
    mask: Mask,
    line: tuple[int | None, int | None],
    known: Mask,
    met: dict[str, frozenset[str]],
) -> str:
    new, parts = mask & ~known, []
    for area in _areas_on(asked, mask):
        if met[area.id] and _way(line[0]) in met[area.id]:
            continue
        at = (
            f" at its strongest point {point_name(asked.zone.code, *_from_one(area.peak))}"
            if mask[area.peak]
            else ""
        )
        size = ", for its size the other way" if met[area.id] else ""
        parts.append(f"through {area.id}{at}{size}")
    for what, points in (("near the limit", asked.near & new), ("unread", asked.unread & new)):
        names = _names(asked.zone, points)
        if names:
            more = ", …" if len(names) > _MOST_NAMED else ""
            parts.append(f"{len(names)} {what} ({', '.join(names[:_MOST_NAMED])}{more})")
    controls = int(np.count_nonzero(asked.clear & new))
    if controls:
        alone = " and nothing else: only so can a miss come to light" if not parts else ""
        parts.append(f"{controls} clear {'point' if controls == 1 else 'points'} as control{alone}")
    return "; ".join(parts)


def _areas_on(asked: _Zone, mask: Mask) -> list[_Area]:
    return [area for area in asked.areas if (area.members & mask).any()]


def _ways_met(area: _Area, known: Mask) -> frozenset[str]:
    """Which ways earlier cuts crossed an area: a whole row or column of its points is known."""
    ways = set()
    for way, axis in (("across", 1), ("along", 0)):
        held = area.members.any(axis=axis)
        if (held & (known | ~area.members).all(axis=axis)).any():
            ways.add(way)
    return frozenset(ways)


def _way(station: int | None) -> str:
    return "along" if station is None else "across"


def _line_mask(zone: Zone, station: int | None, position: int | None) -> Mask:
    mask = np.zeros(zone.grid_shape, dtype=bool)
    mask[slice(None) if station is None else station, slice(None) if position is None else position] = True
    return mask


def _index(name: str) -> tuple[int, int]:
    _, station, position = name.split("-")
    return int(station) - 1, int(position) - 1


def _from_one(index: tuple[int, int]) -> tuple[int, int]:
    return index[0] + 1, index[1] + 1


def _names(zone: Zone, mask: Mask) -> list[str]:
    return [point_name(zone.code, i, p) for i, p in (np.argwhere(mask) + 1).tolist()]
