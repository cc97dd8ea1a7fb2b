"""What findings teach about the readings: points known to be good, and points known not to be.

Another inspection of the same kind of part may take this one as its baseline. What its readings look like
is then less telling than what the saw showed: a point that was cut and found sound is good even if it had
been called suspect, and one with anything wrong on it is not, even if it had been called clear.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.zones import Zone
from tapscan.records.inspection import Inspection
from tapscan.sectioning.findings import NOT_CUT, SOUND, Finding, shown
from tapscan.sectioning.findings_csv import read_findings

__all__ = ["Known", "known_in", "known_points"]


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Points of a zone that cutting has shown `good` or `bad`; masks of (stations, positions).

    A point in neither was not cut, and is not known. `bad` holds every kind of finding: a wrinkle is no
    delamination, but no example of good laminate either.
    """

    good: NDArray[np.bool_]
    bad: NDArray[np.bool_]


def known_points(zone: Zone, findings: Sequence[Finding]) -> Known:
    """Tell what cutting has shown of each point of a zone.

    Examples
    --------
    >>> from tapscan.plan import Block
    >>> from tapscan.plan.reading import parse_plan
    >>> zone = parse_plan('zone = [{code = "A", shape = "panel", stations = 1, positions = 4, '
    ...                   'station_pitch_mm = 5.0, position_pitch_mm = 5.0}]').zones[0]
    >>> cut = Finding("none", "A", (Block(1, 1, 1, 3),)), Finding("wrinkle", "A", (Block(1, 2, 1, 2),))
    >>> known = known_points(zone, cut)
    >>> known.good.astype(int).tolist(), known.bad.astype(int).tolist()
    ([[1, 0, 1, 0]], [[0, 1, 0, 0]])
    """
    told = shown(zone, findings)
    return Known(told == SOUND, (told != SOUND) & (told != NOT_CUT))


def known_in(inspection: Inspection) -> dict[str, Known]:
    """Tell what cutting has shown in each zone of an inspection, by its code; zones never cut are left out.

    Raises
    ------
    TapscanError
        When its ``findings.csv`` is wrong.
    """
    rows = read_findings(inspection.folder, inspection.plan).rows
    cut = {one.zone for one in rows}
    return {zone.code: known_points(zone, rows) for zone in inspection.plan.zones if zone.code in cut}
