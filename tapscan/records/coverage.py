"""What the plan covers and which points have readings: counted from names and headers only."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.plan import Point, Zone, block_mask, cell_area_mm2
from tapscan.records.inspection import Inspection
from tapscan.records.readers import open_volume

__all__ = ["ZoneCoverage", "cover"]

Mask = NDArray[np.bool_]
ALL = slice(None)


@dataclass(frozen=True, slots=True, eq=False)
class ZoneCoverage:
    """One zone of the plan, and what has been collected there; every array is (stations, positions).

    `read` maps each method ("tap", "ascan") that the zone has readings of, or that the plan asks for, to the
    planned points that have one.
    """

    zone: Zone
    is_planned: Mask
    cell_area_mm2: NDArray[np.float64]
    read: Mapping[str, Mask]

    @property
    def is_read(self) -> Mask:
        """Where there is a reading by any method."""
        mask = np.zeros(self.zone.grid_shape, dtype=bool)
        for read in self.read.values():
            mask |= read
        return mask

    @property
    def is_reference(self) -> Mask:
        """Planned points that the plan marks as known to be good."""
        return self.is_planned & block_mask(self.zone, self.zone.reference)

    def missing(self, method: str) -> Mask:
        """Planned points that have no reading by this method."""
        return self.is_planned & ~self.read[method]

    def area_mm2(self, where: Mask) -> float:
        """Surface area that the points in a mask cover."""
        return float(self.cell_area_mm2[where].sum())

    def names(self, where: Mask, part: slice = ALL) -> list[str]:
        """Names of the points in a mask, in walking order; `part` of them when given."""
        steps = np.argwhere(where)[part] + 1
        return [str(Point(self.zone.code, station, position)) for station, position in steps.tolist()]


def cover(inspection: Inspection) -> tuple[tuple[ZoneCoverage, ...], tuple[str, ...]]:
    """Count what every zone holds; the second value are warnings about volumes that do not fit.

    Examples
    --------
    >>> zones, warnings = cover(inspection)                                          # doctest: +SKIP
    >>> zones[0].read["tap"].sum(), zones[0].names(zones[0].missing("tap"))          # doctest: +SKIP
    (479, ['BM-03-04'])
    """
    warnings: list[str] = []
    zones = tuple(_cover_zone(inspection, zone, warnings) for zone in inspection.plan.zones)
    return zones, tuple(warnings)


def _cover_zone(inspection: Inspection, zone: Zone, warnings: list[str]) -> ZoneCoverage:
    is_planned = ~block_mask(zone, zone.skip)
    taps = _marked(zone, inspection.tap_files)
    ascans = _marked(zone, inspection.trace_files)
    if zone.code in inspection.volumes:
        try:
            open_volume(inspection.volumes[zone.code], zone)
            ascans = is_planned
        except TapscanError as error:
            warnings.append(str(error))
    read = {}
    # A method that was neither begun here nor requested by the plan is not missing.
    if taps.any() or (inspection.plan.has_tap_table and not ascans.any()):
        read["tap"] = taps
    if (
        ascans.any()
        or zone.code in inspection.volumes
        or (inspection.plan.has_ascan_table and not taps.any())
    ):
        read["ascan"] = ascans
    return ZoneCoverage(zone, is_planned, cell_area_mm2(zone), read or {"tap": taps})


def _marked(zone: Zone, files: Mapping[Point, object]) -> Mask:
    mask = np.zeros(zone.grid_shape, dtype=bool)
    for point in files:
        if point.zone == zone.code:
            mask[point.station - 1, point.position - 1] = True
    return mask
