"""What became of each indication between two inspections: new, grown, unchanged, shrunk, gone.

Indications of the two are matched where they overlap or touch on the part. An indication counts as grown only
where the readings of points that it gained have changed beyond their repeatability: on one and the same
area, a point at the edge is called now and not then by chance alone.

Of a whole zone only areas beyond chance are listed. Where one of the two maps has an indication already, few
points are in question, and those that are new or gained lean the same way: a twentieth is enough for each.
Laminate does not heal, so what is reported to have shrunk or gone has changed beyond chance.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from tapscan.plan import Zone, block_mask, neighbours, parse_point, point_name
from tapscan.screening.areas.indications import (
    DOUBTFUL_P,
    Area,
    Evidence,
    doubtful_points,
    find_indications,
    likely_areas,
    strength_of,
)
from tapscan.screening.change.twins import Match
from tapscan.screening.results import SKIPPED, UNREAD, Indication, Method, Screened

__all__ = ["CHANGED", "UNCHANGED", "Change", "ChangeKind", "Difference", "ZoneChange", "zone_change"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Status of a point, beside unread and skipped.
UNCHANGED, CHANGED = "unchanged", "changed"
# "unsure": called in one inspection only, though its readings have not changed. "unknown": not read in the
# other one. "elsewhere": readings changed where neither has an indication.
ChangeKind = Literal["new", "grown", "unchanged", "shrunk", "gone", "unsure", "unknown", "elsewhere"]
# An edge has moved where it won or lost, with changed readings, at least so many points more than the other,
# and this many times the root of all points along it. A hand that misses its mark moves one now and then.
LEAST_MOVED, MOVED_OF_EDGE = 2, 0.8
# A point of an indication leans when it is in doubt that it has not changed. What is new leans at so many
# points that chance would do it less than one time in a hundred.
CHANCE = 0.01
LEAST_READ = 0.5  # of an indication's points, for the other inspection to say anything of it


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """How far each point's readings differ: (stations, positions), NaN where one of them is missing.

    `score` is 1 where a difference counts as a change; `probability` that it is one; `words` say what that
    rests on; `is_wide` whether the two visits differ so much as a whole that small changes are hidden.
    """

    score: Floats
    p_value: Floats
    probability: Floats
    words: str
    is_wide: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What became of one area. `before` and `after` are the indications that it joins, either may be empty.

    `changed` are the points in and round it whose readings changed beyond chance; `shown` is what is outlined
    of it: as it is now, or as it was when it is gone, or where readings changed and nothing else is known.
    """

    id: str
    kind: ChangeKind
    zone: str
    method: Method
    before: tuple[Indication, ...]
    after: tuple[Indication, ...]
    changed: tuple[str, ...]
    shown: tuple[Indication, ...]

    @property
    def area_before_mm2(self) -> float:
        """Area of what was there before."""
        return sum(one.area_mm2 for one in self.before)

    @property
    def area_after_mm2(self) -> float:
        """Area of what is there now."""
        return sum(one.area_mm2 for one in self.after)


@dataclass(frozen=True, slots=True, eq=False)
class ZoneChange:
    """One zone by one method, two times. Arrays have shape (stations, positions) on the later grid.

    `status` is ``unchanged``, ``changed``, ``unread`` or ``skipped``; `score` is 1 where a change counts;
    `before` maps column names to values of the earlier inspection laid onto the later one's grid, and
    `before_status` is what that said there, '' where it has no point.
    """

    after: Screened
    earlier: Screened
    status: NDArray[np.str_]
    reason: NDArray[np.str_]
    score: Floats
    p_value: Floats
    before_status: NDArray[np.str_]
    before: Mapping[str, Floats]
    changes: tuple[Change, ...]
    words: str

    @property
    def zone(self) -> Zone:
        """The zone as the later plan has it."""
        return self.after.zone

    @property
    def method(self) -> Method:
        """How both looked."""
        return self.after.method

    def count(self, status: str) -> int:
        """How many points of the zone have this status."""
        return int(np.count_nonzero(self.status == status))


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Indications of both inspections that belong together; masks on the later grid."""

    before: tuple[Indication, ...]
    after: tuple[Indication, ...]
    was: Mask
    now: Mask


def zone_change(after: Screened, earlier: Screened, match: Match, difference: Difference) -> ZoneChange:
    """Say what became of a zone between two inspections."""
    zone = after.zone
    before_status = np.where(match.found, earlier.status[match.station, match.position], "")
    status, reason = _status(after, earlier, match, difference, before_status)
    beyond = likely_areas(zone, status == CHANGED, difference.probability)
    changed = np.any([area.members for area in beyond], axis=0) if beyond else np.zeros(zone.grid_shape, bool)
    read = np.isin(status, (UNCHANGED, CHANGED))
    leaning = changed | (read & (difference.p_value < DOUBTFUL_P)) if after.method == "tap" else changed
    groups = _groups(after, earlier, match)
    changes = [_change(group, after, changed, leaning, read) for group in groups]
    taken = np.any([_reach(zone, g.was | g.now) for g in groups], axis=0) if groups else False
    rest = [area for area in beyond if not (area.members & taken).any()]
    score = np.where(np.isfinite(difference.score), difference.score, np.nan)
    doubtful = doubtful_points(difference.p_value, block_mask(zone, zone.skip))
    changes += _elsewhere(zone, after.method, rest, score, doubtful)
    columns = {
        name: match.laid(values) for name, values in earlier.features.items() if name in after.features
    }
    return ZoneChange(
        after=after,
        earlier=earlier,
        status=status,
        reason=reason,
        score=score,
        p_value=difference.p_value,
        before_status=before_status,
        before={"score": match.laid(earlier.score), **columns},
        changes=tuple(_numbered(changes, after)),
        words=difference.words,
    )


def _status(
    after: Screened,
    earlier: Screened,
    match: Match,
    difference: Difference,
    before_status: NDArray[np.str_],
) -> tuple[NDArray[np.str_], NDArray[np.str_]]:
    """Give each point's status, and why it is unread."""
    status = np.where(difference.score >= 1, CHANGED, UNCHANGED).astype("<U9")
    before_reason = earlier.reason[match.station, match.position]
    reason = np.full(status.shape, "", dtype="<U40")
    gone = ~np.isfinite(difference.score)
    status[gone] = UNREAD
    reason[gone] = "not compared"
    for mask, words in (
        (before_status == UNREAD, np.char.add("before: ", before_reason)),
        (before_status == SKIPPED, np.full(status.shape, "before: left out")),
        (~match.found, np.full(status.shape, "before: no point here")),
        (after.status == UNREAD, after.reason),
    ):
        status[mask] = UNREAD
        reason[mask] = words[mask]
    status[after.status == SKIPPED] = SKIPPED
    reason[after.status == SKIPPED] = ""
    return status, reason


def _groups(after: Screened, earlier: Screened, match: Match) -> list[_Group]:
    """Join indications of both inspections that overlap or touch, in the order of the later ones."""
    nothing = np.zeros(after.zone.grid_shape, dtype=bool)
    groups = [_Group((), (one,), nothing, _mask(one, after.zone)) for one in after.indications]
    for one in earlier.indications:
        was = match.marked(_mask(one, earlier.zone))
        near = [group for group in groups if (was & _reach(after.zone, group.now)).any()]
        joined = _Group(
            before=(*(before for group in near for before in group.before), one),
            after=tuple(now for group in near for now in group.after),
            was=np.logical_or.reduce([was, *(group.was for group in near)]),
            now=np.logical_or.reduce([nothing, *(group.now for group in near)]),
        )
        place = groups.index(near[0]) if near else len(groups)
        groups = [group for group in groups if group not in near]
        groups.insert(place, joined)
    return groups


def _mask(indication: Indication, zone: Zone) -> Mask:
    mask = np.zeros(zone.grid_shape, dtype=bool)
    for name in indication.points:
        point = parse_point(name)
        assert point is not None  # our own names
        mask[point.station - 1, point.position - 1] = True
    return mask


def _reach(zone: Zone, mask: Mask) -> Mask:
    return mask | neighbours(zone, mask)


def _change(group: _Group, after: Screened, changed: Mask, leaning: Mask, read: Mask) -> Change:
    """Judge one group: by its extent, and by where its readings changed."""
    reach = _reach(after.zone, group.was | group.now)
    return Change(
        id="",
        kind=_kind(after.zone, group, changed, leaning, read),
        zone=after.zone.code,
        method=after.method,
        before=group.before,
        after=group.after,
        changed=_names(after.zone, changed & reach),
        shown=group.after or group.before,
    )


def _kind(zone: Zone, group: _Group, changed: Mask, leaning: Mask, read: Mask) -> ChangeKind:
    one_sided = not (group.before and group.after)
    extent = group.was | group.now
    if one_sided and (not extent.any() or read[extent].mean() < LEAST_READ):
        return "unknown"
    if not group.before:
        chance = binom.sf((leaning & extent).sum() - 1, (read & extent).sum(), DOUBTFUL_P)
        return "new" if (changed & extent).any() or chance < CHANCE else "unsure"
    if not group.after:
        return "gone" if (changed & extent).any() else "unsure"
    gained, lost = group.now & ~group.was, group.was & ~group.now
    edge = int((extent & neighbours(zone, ~extent)).sum())
    enough = max(LEAST_MOVED, MOVED_OF_EDGE * np.sqrt(edge))
    if (leaning & gained).sum() - (leaning & lost).sum() >= enough:
        return "grown"
    return "shrunk" if (changed & lost).sum() - (changed & gained).sum() >= enough else "unchanged"


def _names(zone: Zone, mask: Mask) -> tuple[str, ...]:
    return tuple(point_name(zone.code, int(i) + 1, int(p) + 1) for i, p in np.argwhere(mask))


def _elsewhere(zone: Zone, method: Method, areas: list[Area], score: Floats, doubtful: Mask) -> list[Change]:
    """Describe areas whose readings changed where neither inspection has an indication."""
    return [
        Change("", "elsewhere", zone.code, method, (), (), one.points, (one,))
        for one in find_indications(zone, method, areas, Evidence(score, strength_of(score), doubtful))
    ]


def _numbered(changes: list[Change], after: Screened) -> list[Change]:
    """Give the changes of a zone and method their numbers: BM-CT1 is the first found by taps in zone BM."""
    letter = "T" if after.method == "tap" else "A"
    return [replace(one, id=f"{after.zone.code}-C{letter}{n}") for n, one in enumerate(changes, 1)]
