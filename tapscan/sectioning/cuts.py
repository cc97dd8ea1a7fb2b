"""Best places to cut: a greedy choice with a reason for each.

A cut follows one station (round the girth, or across a panel) or one position (along the part); over a photo
it is straight. What it is worth is what is not known yet and what it would show:

* an indication that no cut has met: is it real, and how deep is it;
* its strongest point, and its size the other way when a cut meets it so;
* single points near the limit, which say most about where the limit should be;
* unread points, about which nothing is known;
* clear points, as controls: without them no miss can ever come to light. At least one cut of each zone meets
  nothing but clear points.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.points import point_name
from tapscan.plan.surfaces import neighbours
from tapscan.plan.zones import Zone
from tapscan.screening.results import CLEAR, SUSPECT, UNREAD, Screened
from tapscan.sectioning.cut_lines import CutLine, cut_lines
from tapscan.sectioning.findings.recorded import NOT_CUT, Finding, shown
from tapscan.sectioning.pod.binomial import least_trials

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
    """One cut to make, and why it is worth it: along `station` or along `position` (the other is None).

    On a photo both are None, and it runs straight from `ends_mm` (x, s, x, s) on the face.
    """

    zone: str
    station: int | None
    position: int | None
    worth: float
    reason: str
    points: tuple[str, ...]
    ends_mm: tuple[float, float, float, float] | None = None

    @property
    def along(self) -> str:
        """Say where the saw goes."""
        if self.station is not None:
            return f"station {self.station:02d}"
        if self.position is not None:
            return f"position {self.position:02d}"
        return f"straight from {self.points[0]} to {self.points[-1]}"


@dataclass(frozen=True, slots=True, eq=False)
class _Area:
    """An indication: its points (members, 2), counted from 0, and its strongest one."""

    id: str
    members: NDArray[np.int_]
    peak: tuple[int, int]

    def on(self, line: CutLine) -> Mask:
        """Which of its points a cut meets, (members,)."""
        return np.asarray((self.members[:, None] == np.column_stack(line.at)).all(axis=2).any(axis=1))

    def met_by(self, line: CutLine) -> int:
        """How many of its points a cut meets."""
        return int(np.count_nonzero(self.on(line)))

    def is_peak_on(self, line: CutLine) -> bool:
        return bool((np.column_stack(line.at) == self.peak).all(axis=1).any())


@dataclass(frozen=True, slots=True, eq=False)
class _Zone:
    """What is asked of one zone by all methods together; masks of (stations, positions)."""

    zone: Zone
    areas: tuple[_Area, ...]
    near: Mask
    unread: Mask
    clear: Mask
    quiet: Mask  # neither suspect nor beside a suspect point

    def areas_on(self, line: CutLine) -> list[_Area]:
        return [area for area in self.areas if area.met_by(line)]


@dataclass(frozen=True, slots=True, eq=False)
class _Progress:
    """What is known so far: points cut, which ways cuts have met each area, and controls still wanted."""

    known: Mask
    met: Mapping[str, frozenset[str]]
    wanted: int


def plan_cuts(screened: Sequence[Screened], findings: Sequence[Finding]) -> tuple[PlannedCut, ...]:
    """Choose cuts for all zones, the best of each zone first; what is known already counts as known.

    Every choice takes what the earlier ones show into account. It ends when every indication has been met,
    a control is there, and no cut is worth much more.
    """
    # Where nothing was read, a cut can confirm nothing and control nothing.
    read = [one for one in screened if np.isin(one.status, (CLEAR, SUSPECT)).any()]
    zones = {one.zone.code: one.zone for one in read}
    return tuple(
        cut
        for code, zone in zones.items()
        for cut in _plan_zone(_ask(zone, [one for one in read if one.zone.code == code]), findings)
    )


def _ask(zone: Zone, seen: Sequence[Screened]) -> _Zone:
    areas = []
    near, suspect, unread = (np.zeros(zone.grid_shape, dtype=bool) for _ in range(3))
    clear = np.ones(zone.grid_shape, dtype=bool)
    for one in seen:
        inside = np.zeros(zone.grid_shape, dtype=bool)
        for indication in one.indications:
            members = np.array([_index(name) for name in indication.points])
            areas.append(_Area(indication.id, members, _index(indication.peak_point)))
            inside[tuple(members.T)] = True
        with np.errstate(invalid="ignore"):
            close = (one.score >= _NEAR_SCORES[0]) & (one.score <= _NEAR_SCORES[1])
        near |= (close | (one.status == SUSPECT)) & ~inside
        suspect |= one.status == SUSPECT
        unread |= one.status == UNREAD
        clear &= one.status == CLEAR
    return _Zone(zone, tuple(areas), near, unread, clear, ~(suspect | neighbours(zone, suspect)))


def _plan_zone(asked: _Zone, findings: Sequence[Finding]) -> Iterator[PlannedCut]:
    zone = asked.zone
    lines = cut_lines(zone)
    known = shown(zone, findings) != NOT_CUT
    progress = _Progress(
        known, {area.id: _ways_met(area, lines, known) for area in asked.areas}, _wanted(asked, known)
    )
    has_control = any(known[line.at].all() and not asked.areas_on(line) for line in lines)
    for _ in range(_MOST_CUTS):
        worth = [_worth(asked, line, progress) for line in lines]
        best = int(np.argmax(worth))
        if worth[best] < _LEAST_WORTH and not has_control:
            controls = [
                v if asked.quiet[line.at].all() else 0.0 for v, line in zip(worth, lines, strict=True)
            ]
            best = int(np.argmax(controls))
            if controls[best] <= 0:
                return
        elif worth[best] < _LEAST_WORTH:
            return
        line = lines[best]
        yield _planned(asked, line, progress, worth[best])
        met = {area.id: progress.met[area.id] | {line.way} for area in asked.areas_on(line)}
        has_control = has_control or not met
        known[line.at] = True
        progress = _Progress(known, {**progress.met, **met}, _wanted(asked, known))


def _wanted(asked: _Zone, known: Mask) -> int:
    """How many more clear points are wanted as controls: as many as the least exact statement takes."""
    return max(least_trials(0) - int(np.count_nonzero(asked.clear & known)), 0)


def _worth(asked: _Zone, line: CutLine, progress: _Progress) -> float:
    new = ~progress.known[line.at]
    worth = _NEAR * np.count_nonzero(asked.near[line.at] & new)
    worth += _UNREAD * np.count_nonzero(asked.unread[line.at] & new)
    for area in asked.areas:
        count = area.met_by(line)
        if not count or line.way in progress.met[area.id]:
            continue
        # Of the cuts that meet it, one through the middle shows most of it.
        worth += (_OTHER_WAY if progress.met[area.id] else _MET) + count / len(area.members)
        worth += _STRONGEST if area.is_peak_on(line) else 0.0
    controls = int(np.count_nonzero(asked.clear[line.at] & new))
    useful = min(controls, progress.wanted)
    return float(worth + _CONTROL * useful + _SPARE_CONTROL * (controls - useful))


def _planned(asked: _Zone, line: CutLine, progress: _Progress, worth: float) -> PlannedCut:
    """Put a choice into words."""
    zone, parts = asked.zone, []
    for area in asked.areas_on(line):
        if line.way in progress.met[area.id]:
            continue
        peak = point_name(zone.code, area.peak[0] + 1, area.peak[1] + 1)
        at = f" at its strongest point {peak}" if area.is_peak_on(line) else ""
        size = ", for its size the other way" if progress.met[area.id] else ""
        parts.append(f"through {area.id}{at}{size}")
    for what, asked_for in (("near the limit", asked.near), ("unread", asked.unread)):
        names = _names(zone, line, asked_for & ~progress.known)
        if names:
            more = ", …" if len(names) > _MOST_NAMED else ""
            parts.append(f"{len(names)} {what} ({', '.join(names[:_MOST_NAMED])}{more})")
    controls = int(np.count_nonzero(asked.clear[line.at] & ~progress.known[line.at]))
    if controls:
        alone = " and nothing else: only such cuts bring misses to light" if not parts else ""
        parts.append(f"{controls} clear {'point' if controls == 1 else 'points'} as control{alone}")
    return PlannedCut(
        zone=zone.code,
        station=None if line.station is None else line.station + 1,
        position=None if line.position is None else line.position + 1,
        worth=round(worth, 2),
        reason="; ".join(parts),
        points=tuple(_names(zone, line, np.ones(zone.grid_shape, dtype=bool))),
        ends_mm=line.ends_mm,
    )


def _ways_met(area: _Area, lines: Sequence[CutLine], known: Mask) -> frozenset[str]:
    """Which ways earlier cuts crossed an area: all of its points on some line are known."""
    is_known = known[tuple(area.members.T)]
    on = ((line.way, area.on(line)) for line in lines)
    return frozenset(way for way, mask in on if mask.any() and is_known[mask].all())


def _index(name: str) -> tuple[int, int]:
    _, station, position = name.split("-")
    return int(station) - 1, int(position) - 1


def _names(zone: Zone, line: CutLine, mask: Mask) -> list[str]:
    """Name the marked points on a line, in walking order."""
    rows, columns = (axis[mask[line.at]].tolist() for axis in line.at)
    return [point_name(zone.code, i + 1, p + 1) for i, p in zip(rows, columns, strict=True)]
