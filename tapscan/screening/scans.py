"""A whole inspection, screened: every zone by every method, each compared with its own baseline."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from tapscan.plan import Zone
from tapscan.records.inspection import Inspection
from tapscan.screening.areas.references import marked_damage
from tapscan.screening.echoes.readings import EchoReadings, read_ascans
from tapscan.screening.echoes.screen import screen_ascans
from tapscan.screening.known import NOT_CUT, KnownFromCuts
from tapscan.screening.results import Method, Screened
from tapscan.screening.taps.damage import DamageClass
from tapscan.screening.taps.readings import TapReadings, read_taps
from tapscan.screening.taps.screen import screen_taps
from tapscan.signals import Workers

__all__ = ["Progress", "Scan", "Seen", "methods", "screen_inspection"]

# Called with what is being done, how much of it is done and how much there is.
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One zone by one method: what was read, and what the zone's own baseline says of it."""

    screened: Screened
    readings: TapReadings | EchoReadings


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """An inspection with what was read in it: one entry per zone and method, in plan order, taps first.

    `cuts` is what cutting has shown of it since. `trees` are the damage class that its taps were judged by
    where prior findings retrained it, else None.
    """

    inspection: Inspection
    seen: tuple[Seen, ...]
    cuts: KnownFromCuts = NOT_CUT
    trees: DamageClass | None = None

    @property
    def name(self) -> str:
        """The folder as it was named."""
        return self.inspection.folder.as_posix()

    def of(self, code: str, method: Method) -> Seen | None:
        """Find what this method read in the zone with this code; None when it did not inspect there."""
        found = (one for one in self.seen if one.screened.zone.code == code)
        return next((one for one in found if one.screened.method == method), None)


def screen_inspection(
    inspection: Inspection,
    warnings: list[str],
    progress: Progress = lambda *_: None,
    workers: int | Workers = 2,
    trees: DamageClass | None = None,
) -> Scan:
    """Measure every reading of an inspection and compare it with the baseline of its own zone.

    No reading is an error: what cannot be used adds a sentence to `warnings`. `workers` measure A-scans, as
    for `tapscan.signals.measure_volume`; `trees` judge taps, see `Scan`.
    """
    rate = inspection.plan.false_call_rate
    seen = []
    for zone in inspection.plan.zones:
        for method in methods(inspection, zone):
            report = _reporter(progress, zone, method)
            readings: TapReadings | EchoReadings
            if method == "tap":
                readings = read_taps(inspection, zone, warnings, report)
            else:
                readings = read_ascans(inspection, zone, warnings, report, workers)
            screened = _screened(zone, readings, rate, warnings, trees)
            if zone.reference:
                unmarked = _screened(replace(zone, reference=()), readings, rate, [], trees)
                warnings += marked_damage(unmarked, screened.is_reference)
            seen.append(Seen(screened, readings))
    return Scan(inspection, tuple(seen), trees=trees)


def _screened(
    zone: Zone,
    readings: TapReadings | EchoReadings,
    false_call_rate: float,
    warnings: list[str],
    trees: DamageClass | None,
) -> Screened:
    if isinstance(readings, TapReadings):
        return screen_taps(zone, readings, false_call_rate, warnings, trees)
    return screen_ascans(zone, readings, false_call_rate, warnings)


def methods(inspection: Inspection, zone: Zone) -> Sequence[Method]:
    """List by which methods a zone was inspected, or, when there is no reading, was meant to be."""
    tapped = any(point.zone == zone.code for point in inspection.tap_files)
    scanned = zone.code in inspection.volumes or any(
        point.zone == zone.code for point in inspection.trace_files
    )
    if not (tapped or scanned):
        scanned = inspection.plan.has_ascan_table and not inspection.plan.has_tap_table
        tapped = not scanned
    every: tuple[tuple[Method, bool], ...] = (("tap", tapped), ("ascan", scanned))
    return tuple(method for method, used in every if used)


def _reporter(progress: Progress, zone: Zone, method: Method) -> Callable[[int, int], None]:
    what = f"{zone.code} {'taps' if method == 'tap' else 'A-scans'}"
    return lambda done, total: progress(what, done, total)
