"""What the plan covers and which points have readings: counted from names and headers only."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tapscan.errors import TapscanError
from tapscan.plan import Point, Zone, cell_area_mm2, walk
from tapscan.records.inspection import Inspection
from tapscan.records.readers import open_volume

__all__ = ["ZoneCoverage", "cover"]


@dataclass(frozen=True, slots=True)
class ZoneCoverage:
    """One zone of the plan, and what has been collected there.

    `walk` lists the planned points in walking order. `read` and `missing` map a method ("tap", "ascan") that
    the zone has readings of, or that the plan asks for, to how many planned points have a reading, and to
    those that have none. Areas count every cell once; `area_read_mm2` counts cells read by any method.
    """

    zone: Zone
    walk: tuple[Point, ...]
    skipped: int
    cell_area_mm2: tuple[float, float]
    area_mm2: float
    area_planned_mm2: float
    area_read_mm2: float
    read: Mapping[str, int]
    missing: Mapping[str, tuple[Point, ...]]


def cover(inspection: Inspection) -> tuple[tuple[ZoneCoverage, ...], tuple[str, ...]]:
    """Count what every zone holds; the second value are warnings about volumes that do not fit.

    Examples
    --------
    >>> zones, warnings = cover(inspection)                  # doctest: +SKIP
    >>> zones[0].read["tap"], len(zones[0].walk)             # doctest: +SKIP
    (480, 480)
    """
    warnings: list[str] = []
    zones = tuple(_cover_zone(inspection, zone, warnings) for zone in inspection.plan.zones)
    return zones, tuple(warnings)


def _cover_zone(inspection: Inspection, zone: Zone, warnings: list[str]) -> ZoneCoverage:
    points = tuple(Point(zone.code, station, position) for station, position in walk(zone))
    readings = _readings(inspection, zone, points, warnings)
    area = cell_area_mm2(zone)
    any_read = set().union(*readings.values())
    planned = [area[point.station - 1, point.position - 1] for point in points]
    read = [area[point.station - 1, point.position - 1] for point in points if point in any_read]
    return ZoneCoverage(
        zone=zone,
        walk=points,
        skipped=area.size - len(points),
        cell_area_mm2=(float(area.min()), float(area.max())),
        area_mm2=float(area.sum()),
        area_planned_mm2=float(np.sum(planned)),
        area_read_mm2=float(np.sum(read)),
        read={method: len(found) for method, found in readings.items()},
        missing={
            method: tuple(point for point in points if point not in found)
            for method, found in readings.items()
        },
    )


def _readings(
    inspection: Inspection, zone: Zone, points: tuple[Point, ...], warnings: list[str]
) -> dict[str, set[Point]]:
    """Tell which planned points have a reading by each method that counts for this zone."""
    taps = {point for point in inspection.tap_files if point.zone == zone.code}
    ascans = {point for point in inspection.trace_files if point.zone == zone.code}
    if zone.code in inspection.volumes:
        try:
            open_volume(inspection.volumes[zone.code], zone)
            ascans = set(points)
        except TapscanError as error:
            warnings.append(str(error))
    readings = {}
    # A method that was neither begun here nor asked for by the plan is not missing.
    if taps or (inspection.plan.has_tap_table and not ascans):
        readings["tap"] = taps
    if ascans or (inspection.plan.has_ascan_table and not taps) or zone.code in inspection.volumes:
        readings["ascan"] = ascans
    return readings or {"tap": taps}
