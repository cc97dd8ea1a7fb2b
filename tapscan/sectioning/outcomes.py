"""What was called, compared with what was found: frozen data that files, report and page share."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.results import Screened
from tapscan.sectioning.findings.recorded import FROM_CUTTING, SEPARATIONS, Cause, Kind

__all__ = [
    "AGREED",
    "ANOTHER_FLAW",
    "FALSE_CALL",
    "HIT",
    "MISS",
    "OUTCOMES",
    "UNCUT",
    "UNREAD_THERE",
    "Compared",
    "Defect",
    "JudgedIndication",
]

# What a point turned out to be. A suspect point over a flaw that the maps do not look for is no false call.
HIT, MISS, FALSE_CALL, AGREED = "hit", "miss", "false call", "clear and sound"
ANOTHER_FLAW, UNREAD_THERE, UNCUT = "another flaw", "unread", "not cut"
OUTCOMES = (HIT, MISS, FALSE_CALL, AGREED, ANOTHER_FLAW, FROM_CUTTING, UNREAD_THERE, UNCUT)


@dataclass(frozen=True, slots=True)
class Defect:
    """One defect that cutting showed, and what one method had said of it.

    `verdict` is ``hit`` (an indication shares a point with it), ``miss`` or ``unread`` (no point of it was
    read) for a separation; ``called``, ``not called`` or ``unread`` for any other kind, which the maps do
    not look for; ``from cutting`` for what saw or drill made, which counts for nothing. `reason` says why it
    was missed. `cause` and `starts_at` are those of its findings.

    `size_mm` is the diameter of a disc of its area; `size_from` says where that comes from: ``area`` as
    measured, ``length and width`` (an ellipse), or its ``points``, as coarse as the grid. `reported_area_mm2`
    and `area_ratio` (reported over true) are None where nothing can be compared: no hit, an indication shared
    with another defect, or edges that were not cut. `score` is the highest over its points; NaN where unread.
    """

    id: str
    zone: str
    method: str
    kind: Kind
    points: tuple[str, ...]
    read: int
    verdict: str
    reason: str
    indications: tuple[str, ...]
    score: float
    size_mm: float
    size_from: str
    area_mm2: float
    reported_area_mm2: float | None
    area_ratio: float | None
    is_within_bounds: bool | None
    depth_mm: float | None
    reported_depth_mm: float | None
    depth_error_mm: float | None
    cause: Cause = "unknown"
    starts_at: str = ""

    @property
    def is_separation(self) -> bool:
        """Whether it is of a kind that the maps look for."""
        return self.kind in SEPARATIONS


@dataclass(frozen=True, slots=True)
class JudgedIndication:
    """One indication, and what cutting says of it.

    `verdict`: ``confirmed`` by a separation in it, ``another flaw`` found in it, ``false`` when every
    point of it was cut and nothing was found, ``open`` when some point of it is not cut and nothing was found
    so far. `reason` says what may have caused a false one.
    """

    id: str
    zone: str
    method: str
    verdict: str
    reason: str
    defects: tuple[str, ...]
    cut: int
    points: int


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """One zone by one method beside its findings. Arrays have shape (stations, positions).

    `shown` is what cutting showed (`findings.shown`), `outcome` one of `OUTCOMES`, `reason` why a point is
    a miss or a false call, empty elsewhere. Points that the plan skips are compared like unread ones.
    """

    screened: Screened
    shown: NDArray[np.str_]
    outcome: NDArray[np.str_]
    reason: NDArray[np.str_]
    defects: tuple[Defect, ...]
    indications: tuple[JudgedIndication, ...]

    def count(self, outcome: str) -> int:
        """How many points turned out so."""
        return int(np.count_nonzero(self.outcome == outcome))

    def separations(self, verdict: str) -> tuple[Defect, ...]:
        """Defects of the kinds that the maps look for, with this verdict."""
        return tuple(one for one in self.defects if one.is_separation and one.verdict == verdict)
