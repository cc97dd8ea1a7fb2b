"""What is allowed in a plan and can hardly be meant: reported in words; nothing is changed."""

from typing import TYPE_CHECKING

from tapscan.errors import sentence
from tapscan.plan.photos.scale import tilt_deg
from tapscan.plan.photos.sharing import shared_points
from tapscan.plan.surfaces import block_mask, placed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tapscan.plan.photos.layout import PhotoLayout
    from tapscan.plan.zones import Plan, Zone

__all__ = ["doubts", "steep_view"]

_LEAST_GIRTH_MM = 25.0  # a tube 8 mm across; common practice, no published source
STEEPEST_DEG = 50.0  # policy: a face turned further is asked for as another photo
_LEAST_WALL_MM = 0.3  # two plies of prepreg; common practice, no published source


def doubts(plan: "Plan") -> list[str]:
    """List what deserves a second look: whole zones skipped, skipped references, sizes in centimetres.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> doubts(parse_plan(text + 'girth_mm = 80.0, skip = ["01-01:02-04"]}]'))
    ['inspection.toml: zone "BM": every point is skipped, so nothing is inspected there (correct skip, or \
take the zone out)']
    """
    return [doubt for zone in plan.zones for doubt in (*_zone_doubts(zone), *_sharing_doubts(plan, zone))]


def _sharing_doubts(plan: "Plan", zone: "Zone") -> "Iterator[str]":
    if zone.same_points_as and not any(one.zone == zone.code for one in shared_points(plan)):
        where = f'inspection.toml: zone "{zone.code}"'
        what = f"no point has the name of one of zone {zone.same_points_as}, so nothing is shared"
        yield sentence(where, what, "name points that both photos show alike")


def steep_view(layout: "PhotoLayout") -> tuple[str, str] | None:
    """Say what is wrong with a photo that sees its face at a steep angle, and the way out; None otherwise."""
    tilt = tilt_deg(layout)
    if tilt is None or tilt <= STEEPEST_DEG:
        return None
    what = f"the photo sees the face at {tilt:.0f}° from square on, where distances are hardly known"
    return what, "take another photo that looks straight at this face"


def _zone_doubts(zone: "Zone") -> "Iterator[str]":
    where = f'inspection.toml: zone "{zone.code}"'
    small = {
        "girth_mm": (zone.girth_start_mm, _LEAST_GIRTH_MM),
        "thickness_mm": (zone.laminate.thickness_mm, _LEAST_WALL_MM),
    }
    for key, (size_mm, least_mm) in small.items():
        if size_mm is not None and size_mm < least_mm:
            what = f"{key} = {size_mm:g} is very little for such a part"
            yield sentence(where, what, "write millimetres, not centimetres or inches")
    steep = None if zone.layout is None else steep_view(zone.layout)
    if steep is not None:
        yield sentence(where, *steep)
    skipped = block_mask(zone, zone.skip)
    if skipped.all():
        what = "every point is skipped, so nothing is inspected there"
        yield sentence(where, what, "correct skip, or take the zone out")
        return
    for block in zone.reference:
        both = int((block_mask(zone, [block]) & skipped & placed(zone)).sum())
        if both:
            points = "1 point" if both == 1 else f"{both:,} points"
            what = f'reference "{block}" holds {points} that the plan skips: they count for nothing'
            yield sentence(where, what, "correct reference or skip")
