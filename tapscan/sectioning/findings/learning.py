"""What findings teach about the readings: points known to be sound, and points known to be damaged.

Another inspection of the same kind of part may take this one as its baseline. What its readings look like
counts less than what the saw showed: a point that was cut and found sound counts as sound even if it had
been called suspect, and one with anything wrong on it is not, even if it had been called clear.
"""

from collections.abc import Sequence

import numpy as np

from tapscan.errors import TapscanError
from tapscan.plan.zones import Zone
from tapscan.records.inspection import Inspection
from tapscan.screening.known import Known, KnownFromCuts
from tapscan.sectioning.findings.logbook import read_findings
from tapscan.sectioning.findings.recorded import (
    FINDINGS_NAME,
    FROM_CUTTING,
    NOT_CUT,
    SEPARATIONS,
    SOUND,
    Finding,
    shown,
)

__all__ = ["known_from_cuts", "known_points"]


def known_points(zone: Zone, findings: Sequence[Finding]) -> Known:
    """Say what cutting has shown of each point of a zone; damage that the cut did shows nothing.

    Examples
    --------
    >>> from tapscan.plan import Block
    >>> from tapscan.plan.text.reading import parse_plan
    >>> zone = parse_plan('zone = [{code = "A", shape = "panel", stations = 1, positions = 4, '
    ...                   'station_pitch_mm = 5.0, position_pitch_mm = 5.0}]').zones[0]
    >>> cut = Finding("none", "A", (Block(1, 1, 1, 3),)), Finding("wrinkle", "A", (Block(1, 2, 1, 2),))
    >>> known = known_points(zone, cut)
    >>> known.good.astype(int).tolist(), known.bad.astype(int).tolist()
    ([[1, 0, 1, 0]], [[0, 1, 0, 0]])
    """
    seen = shown(zone, findings)
    bad = ~np.isin(seen, [SOUND, NOT_CUT, FROM_CUTTING])
    return Known(seen == SOUND, bad, np.isin(seen, list(SEPARATIONS)))


def known_from_cuts(inspection: Inspection) -> KnownFromCuts:
    """Say what cutting has shown in each zone of an inspection; nothing where it was never cut.

    Raises
    ------
    TapscanError
        When its ``findings.csv`` is wrong; the sentence names the inspection.
    """
    try:
        rows = read_findings(inspection.folder, inspection.plan).rows
    except TapscanError as error:
        where = f"{inspection.folder.as_posix()}, {error.where}"
        raise TapscanError(where, error.what, error.remedy) from None
    cut = {one.zone for one in rows}
    zones = {zone.code: known_points(zone, rows) for zone in inspection.plan.zones if zone.code in cut}
    return KnownFromCuts(zones, FINDINGS_NAME if rows else "")
