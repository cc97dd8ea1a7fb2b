"""Two inspections of one part, compared: the second job, as one readable function."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

import tapscan
from tapscan.errors import TapscanError, sentence
from tapscan.records.digests import digests
from tapscan.records.inspection import Inspection
from tapscan.screening.change.changes import CHANGED, UNCHANGED, Difference, ZoneChange, zone_change
from tapscan.screening.change.likeness import datum_warnings, namesake, screen_against
from tapscan.screening.change.twins import Match, matched
from tapscan.screening.echoes.change import echo_difference
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.results import SKIPPED, UNREAD, Screened
from tapscan.screening.scans import Progress, Scan, Seen, screen_inspection
from tapscan.screening.taps.change import tap_difference
from tapscan.screening.taps.readings import TapReadings

__all__ = ["Comparison", "compare"]


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What changed from one inspection of a part to a later one: pure data.

    `zones` holds one entry per zone and method that both hold, in the order of the later plan. `summary` is
    the head of ``change.json``. `writer` is handed in by whoever knows how results are written.
    """

    before: Inspection
    after: Inspection
    zones: tuple[ZoneChange, ...]
    summary: Mapping[str, Any]
    writer: "Callable[[Comparison], Path]"

    def save(self) -> Path:
        """Write ``results/change/`` in the later inspection's folder and return the path of the page."""
        return self.writer(self)


def compare(
    before: Inspection,
    after: Inspection,
    *,
    writer: Callable[[Comparison], Path],
    progress: Progress = lambda *_: None,
) -> Comparison:
    """Find what changed between two inspections, beyond what readings repeat to.

    Zones are matched by their codes and points by their place on the part. What the two differ in as a whole
    (recorder, tapper, probe, gain) is no change. Nothing is written.

    Raises
    ------
    TapscanError
        When both are the same folder, or no zone of theirs can be compared.
    """
    if before.folder.resolve() == after.folder.resolve():
        raise TapscanError(after.folder.as_posix(), "is compared with itself", "name two inspections")
    warnings: list[str] = []
    with threadpool_limits(limits=1, user_api="blas"):
        then, now = (_visit(one, warnings, progress) for one in (before, after))
        zones, refusals = _zones(then, now, warnings)
    if not zones:
        where, what = after.folder.as_posix(), "has no zone that can be compared with the earlier inspection"
        raise TapscanError(where, f"{what}: {'; '.join(refusals)}", "name two inspections of one part")
    warnings += refusals
    return Comparison(before, after, tuple(zones), _summary(before, after, zones, warnings), writer)


@dataclass(frozen=True, slots=True, eq=False)
class _Visit:
    """A scan, and what is said of each of its zones when its best baseline decides."""

    scan: Scan
    by_zone: Mapping[int, Screened]


def _visit(inspection: Inspection, warnings: list[str], progress: Progress) -> _Visit:
    name, own = inspection.folder.as_posix(), list(inspection.warnings)
    scan = screen_inspection(
        inspection, own, lambda what, done, total: progress(f"{name}: {what}", done, total)
    )
    by_zone = {id(one): screen_against(one, scan, (), own) for one in scan.seen}
    warnings += [f"{name}, {warning}" for warning in own]
    return _Visit(scan, by_zone)


def _zones(then: _Visit, now: _Visit, warnings: list[str]) -> tuple[list[ZoneChange], list[str]]:
    """Compare zone by zone; give those that could be, and why others could not."""
    found, refusals = [], []
    for own in now.scan.seen:
        try:
            if not np.isin(own.screened.status, ("clear", "suspect")).any():
                where, remedy = f"zone {own.screened.zone.code}", "read it, or leave it out"
                raise TapscanError(where, "was not read in the later inspection", remedy)
            other = namesake(own, then.scan)
            found.append(_zone(own, other, then, now, warnings))
        except TapscanError as error:
            refusals.append(str(error))
    codes = {own.screened.zone.code for own in now.scan.seen}
    missing = dict.fromkeys(one.screened.zone.code for one in then.scan.seen)
    refusals += [
        sentence(f"zone {code}", "is in the earlier inspection only", "inspect it again to compare it")
        for code in missing
        if code not in codes
    ]
    return found, refusals


def _zone(own: Seen, other: Seen, then: _Visit, now: _Visit, warnings: list[str]) -> ZoneChange:
    zone, rate = own.screened.zone, now.scan.inspection.plan.false_call_rate
    match = matched(zone, other.screened.zone)
    warnings += datum_warnings(own, then.scan, other, match)
    difference = _difference(own, other, match, rate)
    if difference.is_wide:
        what = "the two visits differ much more as a whole than repeated taps do, so that small changes hide"
        warnings.append(sentence(f"zone {zone.code}", what, "use the same tapper and recorder each time"))
    change = zone_change(now.by_zone[id(own)], then.by_zone[id(other)], match, difference)
    healed = [one.id for one in change.changes if one.kind in {"shrunk", "gone"}]
    if healed:
        what = f"{', '.join(healed)} shrank or went, and laminate does not heal"
        remedy = "name the earlier inspection first, unless it was repaired or struck by another hand"
        warnings.append(sentence(f"zone {zone.code}", what, remedy))
    return change


def _difference(own: Seen, other: Seen, match: Match, rate: float) -> Difference:
    zone = own.screened.zone
    if isinstance(own.readings, TapReadings) and isinstance(other.readings, TapReadings):
        return tap_difference(zone, own.readings, other.readings, match, rate)
    assert isinstance(own.readings, EchoReadings)  # both were screened by the same method
    assert isinstance(other.readings, EchoReadings)
    return echo_difference(zone, own.readings, other.readings, match, rate)


def _summary(
    before: Inspection, after: Inspection, zones: list[ZoneChange], warnings: list[str]
) -> dict[str, Any]:
    """Put together the head of ``change.json``."""
    return {
        "version": tapscan.__version__,
        "false_call_rate": after.plan.false_call_rate,
        "before": {"folder": before.folder.as_posix(), "inputs": digests(before)},
        "after": {"inputs": digests(after)},
        "counts": [
            {
                "zone": one.zone.code,
                "method": one.method,
                **{status: one.count(status) for status in (UNCHANGED, CHANGED, UNREAD, SKIPPED)},
                "basis": one.words,
            }
            for one in zones
        ],
        "warnings": warnings,
    }
