"""What the recordings of a zone hold before anybody begins to tap: usable taps and faults at every point.

Files are opened once each; one that changed since is opened again.
"""

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapscan.desk.plan.file import zone_of
from tapscan.errors import TapscanError
from tapscan.plan import Point, block_mask
from tapscan.records.readers import read_recording
from tapscan.signals import find_taps

if TYPE_CHECKING:
    from tapscan.records.inspection import Inspection

__all__ = ["tally_document"]

_MOST_FILES = 50_000  # remembered; each is a few bytes
# Of several faults at one point the first of these is named.
_FAULTS = ("unreadable", "clipped", "double hit", "too quiet", "silent")


def tally_document(inspection: "Inspection", code: str) -> dict[str, Any]:
    """Count the usable taps at every point of a zone that has recordings, and name what is wrong there.

    `fault` is empty where there are as many usable taps as the plan wants; else it is what is wrong with the
    others (``clipped``, ``double hit``, ``too quiet``, ``silent``, ``unreadable``), or ``too few taps``.

    Raises
    ------
    TapscanError
        When the plan has no such zone.
    """
    zone, wanted = zone_of(inspection.plan, code), inspection.plan.taps_per_point
    is_skipped = block_mask(zone, zone.skip)
    points = [
        _point(point, paths, wanted)
        for point, paths in sorted(inspection.tap_files.items())
        if point.zone == code and not is_skipped[point.station - 1, point.position - 1]
    ]
    return {"wanted": wanted, "planned": int((~is_skipped).sum()), "points": points}


def _point(point: Point, paths: tuple[Path, ...], wanted: int) -> dict[str, Any]:
    usable, faults = 0, set[str]()
    for path in paths:
        facts = path.stat()
        good, found = _in_file(path, facts.st_size, facts.st_mtime_ns)
        usable += good
        faults |= found
    fault = ""
    if usable < wanted:
        fault = next((one for one in _FAULTS if one in faults), "too few taps")
    return {"point": str(point), "taken": usable, "fault": fault}


@lru_cache(maxsize=_MOST_FILES)
def _in_file(path: Path, _size: int, _mtime_ns: int) -> tuple[int, frozenset[str]]:
    """Count the usable taps of a file, and name the faults of the others."""
    try:
        recording = read_recording(path)
    except TapscanError:
        return 0, frozenset({"unreadable"})
    taps = find_taps(recording.samples, recording.sample_rate_hz)
    if not len(taps.start):
        return 0, frozenset({"silent"})
    by_name = {"clipped": taps.is_clipped, "double hit": taps.is_double, "too quiet": taps.is_quiet}
    bad = taps.is_clipped | taps.is_double | taps.is_quiet
    return int((~bad).sum()), frozenset(name for name, mask in by_name.items() if mask.any())
