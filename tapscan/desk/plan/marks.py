"""References and points left out, set on the map and written into the plan.

Nothing but the lists that change is touched: comments, order and spacing stay. A plan that changed since the
page read it is not written over.
"""

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

import tomlkit

from tapscan.desk.plan.blocks import neat_blocks
from tapscan.desk.plan.file import (
    add_key,
    parse_document,
    plan_text,
    plan_version,
    refuse,
    write_plan,
    zone_of,
)
from tapscan.errors import TapscanError
from tapscan.plan import block_mask, parse_block
from tapscan.plan.photos.reading import unnamed_blocks
from tapscan.plan.surfaces import placed
from tapscan.plan.text.reading import PLAN_NAME, parse_plan

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray
    from tomlkit.items import Array

    from tapscan.plan import Block, Plan, Zone

__all__ = ["Mark", "marked_text", "write_marks"]

# What a point can be marked as; "none" takes either mark away.
Mark = Literal["reference", "skip", "none"]
_KEYS: tuple[Literal["reference", "skip"], ...] = ("reference", "skip")


def write_marks(folder: "Path", version: str, zone: str, blocks: "Sequence[Block]", mark: Mark) -> str:
    """Mark all points of `blocks` in the plan on disk; return the plan's new version.

    Raises
    ------
    TapscanError
        When the plan is no longer the one of `version`, or cannot be written, or would not be a plan.
    """
    if plan_version(folder) != version:
        what = "changed since this page read it; nothing was written"
        raise TapscanError(PLAN_NAME, what, "load the page again, and set the mark once more")
    return write_plan(folder, marked_text(plan_text(folder), zone, blocks, mark, folder))


def marked_text(
    text: str, code: str, blocks: "Sequence[Block]", mark: Mark, folder: "Path | None" = None
) -> str:
    """Return the plan's text, that of `folder`, with the points of `blocks` in zone `code` marked.

    A point is never a reference and left out at once: the later mark counts.

    Raises
    ------
    TapscanError
        When the plan has no such zone, a block does not fit it, or the new text would not be a plan.

    Examples
    --------
    >>> plan = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> plan += 'girth_mm = 80.0, skip = ["01-01"]}]'
    >>> marked_text(plan, "BM", [parse_block("01-02:01-03")], "skip").rpartition("skip = ")[2]
    '["01-01:01-03"]}]'
    """
    plan = parse_plan(text, folder)
    zone = zone_of(plan, code)
    changed = _changed(zone, blocks, mark)
    document = parse_document(text)
    table = document["zone"][plan.zones.index(zone)]
    for key in _KEYS:
        if set(getattr(changed, key)) != set(getattr(zone, key)):
            _rewrite(table, key, changed)
    new_text = tomlkit.dumps(document)
    _check_nothing_else_changed(plan, changed, parse_plan(new_text, folder))
    return new_text


def _changed(zone: "Zone", blocks: "Sequence[Block]", mark: Mark) -> "Zone":
    where = _mask(zone, blocks)
    masks = {key: block_mask(zone, getattr(zone, key)) for key in _KEYS}
    new = {key: (mask | where) if key == mark else (mask & ~where) for key, mask in masks.items()}
    if new["skip"].all():
        name, what = f"zone {zone.code}", "would have no point left to inspect"
        raise TapscanError(name, what, "take the zone out of the plan instead")
    # A list whose points stay the same stays as it was written.
    lists: dict[str, Any] = {
        key: getattr(zone, key)
        if (new[key] == masks[key]).all()
        else tuple(neat_blocks(new[key] & placed(zone), is_closed=zone.is_tube))
        for key in _KEYS
    }
    if lists["skip"] != zone.skip:
        lists["skip"] += unnamed_blocks(zone.layout)
    return replace(zone, **lists)


def _mask(zone: "Zone", blocks: "Sequence[Block]") -> "NDArray[np.bool_]":
    for block in blocks:
        stations = 1 <= block.first_station <= block.last_station <= zone.stations
        positions = (1 <= block.first_position <= zone.positions) and (
            1 <= block.last_position <= zone.positions
        )
        crosses = block.first_position > block.last_position
        if not (stations and positions) or (crosses and not zone.is_tube):
            where = f"zone {zone.code}"
            raise TapscanError(where, f"has no points {block}", "mark points of its grid")
    return block_mask(zone, blocks)


def _rewrite(table: Any, key: str, zone: "Zone") -> None:
    """Change a list of blocks in place, so that comments beside and between its entries stay."""
    unnamed = unnamed_blocks(zone.layout)  # these follow from the points, and are in no list
    wanted: list[Block] = [block for block in getattr(zone, key) if block not in unnamed]
    if key not in table:
        add_key(table, key, [str(block) for block in wanted])
        return
    entries: Array = table[key]
    if "#" in entries.as_string():
        wanted = _beside_commented(zone, wanted, [parse_block(str(entry)) for entry in entries])
    for at in reversed(range(len(entries))):
        block = parse_block(str(entries[at]))
        if block in wanted:
            wanted.remove(block)
        else:
            del entries[at]
    for block in wanted:
        entries.append(str(block))


def _beside_commented(zone: "Zone", wanted: "list[Block]", entries: "list[Block | None]") -> "list[Block]":
    """Keep the entries that still hold, since their comments say why; only the rest is made neat."""
    mask = block_mask(zone, wanted)
    kept = [block for block in entries if block is not None and mask[block_mask(zone, [block])].all()]
    return kept + neat_blocks(mask & ~block_mask(zone, kept), is_closed=zone.is_tube)


def _check_nothing_else_changed(plan: "Plan", changed: "Zone", new: "Plan") -> None:
    """Make sure that the new text means the old plan with these marks, before it replaces anything."""
    by_code = {zone.code: zone for zone in new.zones}
    written = by_code[changed.code]
    same = all(
        (block_mask(written, getattr(written, key)) == block_mask(changed, getattr(changed, key))).all()
        for key in _KEYS
    )
    rest = replace(written, reference=changed.reference, skip=changed.skip)
    zones = tuple(rest if zone.code == changed.code else zone for zone in new.zones)
    old = tuple(changed if zone.code == changed.code else zone for zone in plan.zones)
    if not same or replace(new, zones=zones) != replace(plan, zones=old):
        raise refuse()
