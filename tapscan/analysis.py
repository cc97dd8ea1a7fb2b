"""The main job: an inspection in, results out."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

import tapscan
from tapscan.errors import TapscanError
from tapscan.plan import Zone, point_name, s_mm, x_mm
from tapscan.records.digests import digests
from tapscan.records.inspection import Inspection
from tapscan.records.tables import csv_text, json_text
from tapscan.screening.agreement import agreement
from tapscan.screening.ascans import screen_ascans
from tapscan.screening.differences import taps_against
from tapscan.screening.echo_readings import read_ascans
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD, Indication, Method, Screened
from tapscan.screening.tap_readings import TapReadings, read_taps
from tapscan.screening.taps import screen_taps
from tapscan.screening.twins import Twin, matched

__all__ = ["Progress", "Results", "analyse"]

# Called with what is being done, how much of it is done and how much there is.
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Results:
    """Everything that one run of the main job found: pure data.

    `screened` holds one entry per zone and method, in plan order, taps before A-scans. `summary` is what
    becomes ``summary.json``. `writer` is handed in by whoever knows how results are written (see
    `tapscan.analyse`), since writing them needs the report, which stands above this module.
    """

    inspection: Inspection
    screened: tuple[Screened, ...]
    summary: Mapping[str, Any]
    writer: "Callable[[Results], Path]"

    @property
    def indications(self) -> tuple[Indication, ...]:
        """All indications, in plan order."""
        return tuple(indication for part in self.screened for indication in part.indications)

    @property
    def points(self) -> dict[str, NDArray[Any]]:
        """The columns of ``points.csv``: one row per planned point and method."""
        return point_columns(self.screened)

    @property
    def tables(self) -> dict[str, str]:
        """The files of ``results/`` that programs read: name to text."""
        return {
            "points.csv": csv_text(self.points),
            "indications.json": json_text([asdict(one) for one in self.indications]),
            "summary.json": json_text(self.summary),
        }

    def save(self) -> Path:
        """Write ``results/`` in the inspection folder and return the path of the report."""
        return self.writer(self)


def analyse(
    inspection: Inspection, *, writer: Callable[[Results], Path], progress: Progress = lambda *_: None
) -> Results:
    """Measure every reading, hold it against what is good there, and gather what stands out.

    Nothing is written, and no reading is an error: one that cannot be used, or was never
    taken, leaves its point unread, with a reason and a warning.
    """
    rate = inspection.plan.false_call_rate
    warnings = list(inspection.warnings)
    screened = []
    tapped: dict[str, TapReadings] = {}
    # Sums depend on how many threads share them; one thread gives the same bits on any machine.
    with threadpool_limits(limits=1, user_api="blas"):
        for zone in inspection.plan.zones:
            for method in methods(inspection, zone):
                report = _told(progress, zone, method)
                if method == "tap":
                    tapped[zone.code] = read_taps(inspection, zone, warnings, report)
                    screened.append(screen_taps(zone, tapped[zone.code], rate, warnings))
                else:
                    scanned = read_ascans(inspection, zone, warnings, report)
                    screened.append(screen_ascans(zone, scanned, rate, warnings))
        screened = [_beside_mirror(one, screened, tapped, rate, warnings) for one in screened]
    summary = _summary(inspection, screened, warnings)
    return Results(inspection, tuple(screened), summary, writer)


def _beside_mirror(
    own: Screened,
    screened: list[Screened],
    tapped: Mapping[str, TapReadings],
    rate: float,
    warnings: list[str],
) -> Screened:
    """Screen a tapped zone against its mirror image where the plan names one that can be used."""
    mirror = own.zone.mirror_of
    if mirror is None or own.method != "tap":
        return own
    source = f"the mirror-image zone {mirror}"
    twin = next((one for one in screened if one.zone.code == mirror and one.method == "tap"), None)
    try:
        if twin is None or twin.count(UNREAD) + twin.count(SKIPPED) == twin.status.size:
            where = f"zone {own.zone.code}"
            what = f"{source} was not tapped"
            raise TapscanError(where, what, "tap it, or drop mirror_of")
        match = matched(own.zone, twin.zone, is_mirror=True)
        return taps_against(own, tapped[own.zone.code], [Twin(twin, tapped[mirror], match)], source, rate)
    except TapscanError as error:
        warnings.append(str(error))
        return own


def methods(inspection: Inspection, zone: Zone) -> tuple[Method, ...]:
    """Tell by which methods a zone was inspected, or, when there is no reading, was meant to be."""
    tapped = any(point.zone == zone.code for point in inspection.tap_files)
    scanned = zone.code in inspection.volumes or any(
        point.zone == zone.code for point in inspection.trace_files
    )
    if not (tapped or scanned):
        scanned = inspection.plan.has_ascan_table and not inspection.plan.has_tap_table
        tapped = not scanned
    every: tuple[tuple[Method, bool], ...] = (("tap", tapped), ("ascan", scanned))
    return tuple(method for method, used in every if used)


def point_columns(screened: tuple[Screened, ...]) -> dict[str, NDArray[Any]]:
    """Lay out all planned points as table columns; points skipped on purpose have no row."""
    names = list(dict.fromkeys(name for part in screened for name in part.features))
    rows = [_rows(part, names) for part in screened]
    return {name: np.concatenate([row[name] for row in rows]) for name in rows[0]} if rows else {}


def _rows(part: Screened, names: list[str]) -> dict[str, NDArray[Any]]:
    zone, planned = part.zone, part.status != SKIPPED
    station, position = (axis[planned] + 1 for axis in np.indices(zone.grid_shape))
    unknown = np.full(station.size, np.nan)
    return {
        "point": np.array(
            [point_name(zone.code, i, p) for i, p in zip(station, position, strict=True)], dtype=object
        ),
        "zone": np.full(station.size, zone.code, dtype=object),
        "station": station,
        "position": position,
        "x_mm": x_mm(zone)[planned],
        "s_mm": s_mm(zone)[planned],
        "method": np.full(station.size, part.method, dtype=object),
        "status": part.status[planned].astype(object),
        "reason": part.reason[planned].astype(object),
        "score": part.score[planned],
        "p_value": part.p_value[planned],
        "is_reference": part.is_reference[planned],
        **{name: part.features[name][planned] if name in part.features else unknown for name in names},
    }


def _summary(inspection: Inspection, screened: list[Screened], warnings: list[str]) -> dict[str, Any]:
    """Put together what ``summary.json`` says, in an order that depends on the plan alone."""
    counted = [
        {
            "zone": part.zone.code,
            "method": part.method,
            **{status: part.count(status) for status in (CLEAR, SUSPECT, UNREAD, SKIPPED)},
            "indications": len(part.indications),
            "baseline": part.baseline,
        }
        for part in screened
    ]
    return {
        "version": tapscan.__version__,
        "settings": asdict(inspection.plan),
        "counts": counted,
        "agreement": agreement(screened),
        "warnings": warnings,
        "inputs": digests(inspection),
    }


def _told(progress: Progress, zone: Zone, method: Method) -> Callable[[int, int], None]:
    what = f"{zone.code} {'taps' if method == 'tap' else 'A-scans'}"
    return lambda done, total: progress(what, done, total)
