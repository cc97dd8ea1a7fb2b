"""Where something was found, in the numbers that are written on the part.

One place is a point ``BM-07-05``, a block of points from corner to corner ``BM-07-11:09-02`` (which may cross
the seam of a tube), a whole station ``BM-07``, or whole stations ``BM-07:09``. Several go side by side,
with a space between. Every place begins with its zone, so that no spreadsheet takes it for a date.
"""

import re
from collections.abc import Sequence

from tapscan.errors import TapscanError, nearest
from tapscan.plan.points import Block
from tapscan.plan.zones import Plan, Zone

__all__ = ["parse_places", "places_text"]

_FIRST = re.compile(r"([A-Z0-9]{1,8})-(\d{1,6})(?:-(\d{1,6}))?")
_LAST = re.compile(r"(\d{1,6})(?:-(\d{1,6}))?")
_FORMS = "write points like BM-07-05, blocks like BM-07-11:09-02, whole stations like BM-07"


def parse_places(text: str, plan: Plan, where: str) -> tuple[Zone, tuple[Block, ...]]:
    """Read one or more places of one zone; `where` names the place of `text` in what is said of it.

    Raises
    ------
    TapscanError
        When `text` is empty, names no place of the plan, or names more than one zone.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> plan = parse_plan('zone = [{code = "BM", shape = "tube", stations = 9, positions = 12, '
    ...                   'station_pitch_mm = 10.0, girth_mm = 120.0}]')
    >>> zone, blocks = parse_places("bm-7-11:9-2  BM-03", plan, "line 2")
    >>> zone.code, [str(block) for block in blocks]
    ('BM', ['07-11:09-02', '03-01:03-12'])
    """
    names = text.upper().replace(",", " ").replace(";", " ").split()
    if not names:
        raise TapscanError(where, "names no place", _FORMS)
    found = [_place(name, plan, where) for name in names]
    zone = found[0][0]
    for other, _ in found:
        if other.code != zone.code:
            what = f"is in two zones, {zone.code} and {other.code}"
            raise TapscanError(where, what, "give each zone a line of its own, with the same name in defect")
    return zone, tuple(block for _, block in found)


def places_text(zone: str, blocks: Sequence[Block]) -> str:
    """Spell places as `parse_places` reads them.

    Examples
    --------
    >>> places_text("BM", [Block(7, 11, 9, 2), Block(3, 1, 3, 1)])
    'BM-07-11:09-02 BM-03-01'
    """
    return " ".join(f"{zone}-{block}" for block in blocks)


def _place(name: str, plan: Plan, where: str) -> tuple[Zone, Block]:
    begin, colon, end = name.partition(":")
    first = _FIRST.fullmatch(begin)
    if first is None:
        raise TapscanError(where, f"{name!r} is not a place on the part", _FORMS)
    zone = _zone(first[1], name, plan, where)
    last = _last_corner(end, zone, has_position=first[3] is not None) if colon else first.groups()[1:]
    if last is None:
        what = f"{name!r} is no block from corner to corner in zone {zone.code}"
        raise TapscanError(where, what, _FORMS)
    position, last_position = (int(first[3]), int(last[1])) if first[3] else (1, zone.positions)
    block = Block(int(first[2]), position, int(last[0]), last_position)
    _check_inside(zone, block, name, where)
    return zone, block


def _last_corner(text: str, zone: Zone, *, has_position: bool) -> tuple[str, str] | None:
    """Read the second corner, with the zone before it or without; None when it is not like the first."""
    for form in (text, text.removeprefix(f"{zone.code}-")):
        match = _LAST.fullmatch(form)
        if match is not None and (match[2] is not None) == has_position:
            return match[1], match[2]
    return None


def _zone(code: str, name: str, plan: Plan, where: str) -> Zone:
    codes = [zone.code for zone in plan.zones]
    if code in codes:
        return plan.zone(code)
    close = nearest(code, codes)
    remedy = f"did you mean {close}?" if close else f"zones of the plan: {', '.join(codes)}"
    raise TapscanError(where, f"{name!r}: the plan has no zone {code}", remedy)


def _check_inside(zone: Zone, block: Block, name: str, where: str) -> None:
    for what, count, numbers in (
        ("station", zone.stations, (block.first_station, block.last_station)),
        ("position", zone.positions, (block.first_position, block.last_position)),
    ):
        outside = [number for number in numbers if not 1 <= number <= count]
        if outside:
            fault = f"{name!r}: {what} {outside[0]} is outside zone {zone.code}"
            raise TapscanError(where, fault, f"{what}s run from 1 to {count}")
    if block.first_station > block.last_station:
        raise TapscanError(where, f"{name!r} ends before it begins", "write the lower station first")
    if not zone.is_tube and block.first_position > block.last_position:
        fault = f"{name!r} crosses a seam, which a panel does not have"
        raise TapscanError(where, fault, "write the lower position first")
