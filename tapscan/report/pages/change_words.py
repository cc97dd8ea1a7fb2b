"""The words of the page on change: what became of each area, and what that does not mean."""

from typing import TYPE_CHECKING

from tapscan.report.words import (
    METHOD_NAMES,
    area_text,
    bounds_text,
    count_text,
    depth_text,
    joined,
    place_in_words,
    range_in_mm,
    short_id,
    zone_name,
)
from tapscan.screening.change.changes import CHANGED, UNCHANGED
from tapscan.screening.results import SKIPPED, UNREAD

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tapscan.plan.zones import Zone
    from tapscan.screening.change.changes import Change, ChangeKind, ZoneChange
    from tapscan.screening.results import Indication

__all__ = ["KINDS", "chance", "counts", "label", "lead", "map_alt", "map_caption", "row", "tally"]

# What each kind means, the most urgent first.
KINDS: "dict[ChangeKind, str]" = {
    "new": "was not there before, and its readings have changed",
    "grown": "reaches further than before, over points whose readings have changed",
    "elsewhere": "readings have changed where neither inspection has an indication",
    "unknown": "the other inspection did not read enough of it",
    "unsure": "indicated in one inspection only, though its readings have not changed",
    "unchanged": "its edge has not moved by more than the grid can resolve",
    "shrunk": "reaches less far than before; delaminations do not heal, so read it again",
    "gone": "is indicated no more; delaminations do not heal, so read it again unless it was repaired",
}


def lead(zones: "Sequence[ZoneChange]") -> list[str]:
    """Say in a few sentences what the table lists: every kind with its areas, and how many points changed."""
    found = [one for zone in zones for one in zone.changes]
    listed = []
    for kind in KINDS:
        ids = [one.id for one in found if one.kind == kind]
        more = f" and {len(ids) - _MOST_NAMED} more" if len(ids) > _MOST_NAMED else ""
        if ids:
            listed.append(f"{len(ids)} {kind} ({', '.join(ids[:_MOST_NAMED])}{more})")
    changed = sum(zone.count(CHANGED) for zone in zones)
    compared = changed + sum(zone.count(UNCHANGED) for zone in zones)
    areas = f"{count_text(len(found), 'area')}: {joined(listed)}." if found else "No area is listed."
    points = f"Readings changed at {changed:,} of {count_text(compared, 'point')} compared."
    return [areas, points, "Unchanged is not proof that the part is sound."]


_MOST_NAMED = 6


def tally(zones: "Sequence[ZoneChange]") -> list[tuple[str, int]]:
    """Count the kinds that are always shown: also when there is none."""
    found = [one.kind for zone in zones for one in zone.changes]
    return [
        (kind, found.count(kind)) for kind in ("new", "grown", "elsewhere", "unchanged", "shrunk", "gone")
    ]


def counts(change: "ZoneChange") -> str:
    """Say how many points of a zone changed; always beside how many could not be compared."""
    changed, same, unread, skipped = (change.count(word) for word in (CHANGED, UNCHANGED, UNREAD, SKIPPED))
    left_out = f"; {skipped:,} more were left out on purpose" if skipped else ""
    return (
        f"{zone_name(change.zone)}, {METHOD_NAMES[change.method]}: of "
        f"{count_text(changed + same + unread, 'planned point')}, {changed:,} changed, {same:,} did not, and "
        f"{unread:,} could not be compared{left_out}."
    )


def chance(false_call_rate: float) -> str:
    """Put the rate in words."""
    return (
        f"About 1 in {1 / false_call_rate:,.0f} points that did not change is expected to be marked as "
        "changed by chance."
    )


def label(change: "Change", area: "Indication") -> str:
    """Name an outlined area on the map: its number in the later inspection and what became of it."""
    name = area.id if change.after else change.id
    return f"{name} {change.kind}" if change.after else name


def row(change: "Change", zone: "Zone") -> dict[str, str]:
    """Lay out one line of the table."""
    return {
        "id": change.id,
        "kind": change.kind,
        "meaning": KINDS[change.kind],
        "place": joined([place_in_words(one, zone) for one in change.shown]),
        "range": joined([range_in_mm(one, zone) for one in change.shown]),
        "before": _areas(change.before),
        "after": _areas(change.after),
        "names": _names(change),
        "changed": count_text(len(change.changed), "point"),
        "depth": joined([depth_text(one, zone) for one in change.after or change.before]),
    }


def _areas(indications: "Iterable[Indication]") -> str:
    parts = [f"{area_text(one.area_mm2)} mm² ({bounds_text(one)})" for one in indications]
    return joined(parts) or "none"


def _names(change: "Change") -> str:
    before, after = (joined([short_id(one) for one in some]) for some in (change.before, change.after))
    return f"{before or 'nothing'} before, {after or 'nothing'} now"


def map_alt(change: "ZoneChange") -> str:
    """Describe a map to those who cannot see it."""
    parts = [f"{one.kind} at {place_in_words(one.shown[0], change.zone)}" for one in change.changes[:5]]
    outlined = f"Areas: {joined(parts)}." if parts else "No area is outlined."
    return (
        f"Map of change in zone {change.zone.code}, {METHOD_NAMES[change.method]}. {outlined} Hatched as not "
        f"compared: {count_text(change.count(UNREAD), 'point')}."
    )


def map_caption(change: "ZoneChange") -> str:
    """Say below a map what it shows."""
    return (
        f"Zone {change.zone.code}, {METHOD_NAMES[change.method]}: how far readings have changed, in units of "
        "what counts as a change. Solid: outlined now. Dashed: outlined before. Station 1 is at the left."
    )
