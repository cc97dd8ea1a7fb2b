"""Tap and A-scan on the same zone: where they agree, where only one saw something, where only one looked."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from tapscan.screening.results import CLEAR, SUSPECT, Screened

__all__ = ["agreement"]


def agreement(screened: Sequence[Screened]) -> list[dict[str, Any]]:
    """Compare the two methods, one entry for every zone that was inspected by both.

    Points are counted by what each method says of them; a point that a method did not read, or left out, is
    one where that method did not look. Indications that share a point belong together; an indication of one
    method none of whose points the other read is listed as not looked at by the other.

    Returns
    -------
    Plain data, in plan order: ``zone``; ``points`` with counts that add up to the whole grid
    (``both_suspect``, ``both_clear``, ``tap_alone_suspect``, ``ascan_alone_suspect``, ``only_tap_looked``,
    ``only_ascan_looked``, ``neither_looked``); ``indications`` with ``both`` (pairs of ids), and for each
    method ``…_alone`` and ``…_not_looked_at``.

    Examples
    --------
    >>> agreement([])
    []
    """
    scans = {one.zone.code: one for one in screened if one.method == "ascan"}
    return [
        {
            "zone": tap.zone.code,
            "points": _points(tap, scans[tap.zone.code]),
            "indications": _indications(tap, scans[tap.zone.code]),
        }
        for tap in screened
        if tap.method == "tap" and tap.zone.code in scans
    ]


def _points(tap: Screened, scan: Screened) -> dict[str, int]:
    tap_looked, scan_looked = (np.isin(one.status, (CLEAR, SUSPECT)) for one in (tap, scan))
    both = tap_looked & scan_looked
    tap_saw, scan_saw = tap.status == SUSPECT, scan.status == SUSPECT
    masks = {
        "both_suspect": tap_saw & scan_saw,
        "both_clear": both & ~tap_saw & ~scan_saw,
        "tap_alone_suspect": both & tap_saw & ~scan_saw,
        "ascan_alone_suspect": both & ~tap_saw & scan_saw,
        "only_tap_looked": tap_looked & ~scan_looked,
        "only_ascan_looked": ~tap_looked & scan_looked,
        "neither_looked": ~tap_looked & ~scan_looked,
    }
    return {name: int(mask.sum()) for name, mask in masks.items()}


def _indications(tap: Screened, scan: Screened) -> dict[str, list[Any]]:
    pairs = [
        [one.id, other.id]
        for one in tap.indications
        for other in scan.indications
        if set(one.points) & set(other.points)
    ]
    found: dict[str, list[Any]] = {"both": pairs}
    for name, own, other, place in (("tap", tap, scan, 0), ("ascan", scan, tap, 1)):
        met = {pair[place] for pair in pairs}
        rest = [one for one in own.indications if one.id not in met]
        looked = {one.id for one in rest if _was_read(one.points, other)}
        found[f"{name}_alone"] = [one.id for one in rest if one.id in looked]
        found[f"{name}_not_looked_at"] = [one.id for one in rest if one.id not in looked]
    return found


def _was_read(points: Sequence[str], other: Screened) -> bool:
    """Whether the other method read any of these points."""
    at = [tuple(int(number) - 1 for number in point.rsplit("-", 2)[1:]) for point in points]
    return any(other.status[place] in (CLEAR, SUSPECT) for place in at)
