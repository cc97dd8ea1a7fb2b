"""What one method shows on a known piece: plain numbers, which files keep and later checks compare with."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.plan import Known, Plan, Zone, block_mask
from tapscan.proving.figures.separation import Separation
from tapscan.screening.results import Method

__all__ = ["Figures", "FoundDamage", "damages_of", "known_zone", "state_mask", "thickness_of"]


@dataclass(frozen=True, slots=True)
class FoundDamage:
    """How many single readings of one known delamination were beyond the threshold."""

    size_mm: float | None
    depth_mm: float | None
    readings: int
    found: int


@dataclass(frozen=True, slots=True)
class Figures:
    """What one method measured on the piece.

    `values` by name, with its unit; `sound` and `damaged` how many points of each were read; `reasons` why
    others were not, and how many.
    """

    method: Method
    sound: int
    damaged: int
    planned: int
    values: Mapping[str, float]
    separation: Separation | None = None
    found: tuple[FoundDamage, ...] = ()
    reasons: Mapping[str, int] = field(default_factory=dict)


def known_zone(plan: Plan, where: str) -> Zone:
    """Return the zone of a known piece.

    Raises
    ------
    TapscanError
        When no point of the plan is known, or points of several zones are.
    """
    zones = [zone for zone in plan.zones if zone.known]
    if len(zones) == 1:
        return zones[0]
    if zones:
        what = f"has known points in {len(zones)} zones"
        raise TapscanError(where, what, "make one known piece of each zone")
    what = "is no known piece: no zone of its plan says what is known"
    raise TapscanError(where, what, "add a [[zone.known]] table; tapscan new --known-piece writes an example")


def state_mask(zone: Zone, state: str) -> NDArray[np.bool_]:
    """Mark the points, (stations, positions), that are known to be in this state."""
    mask = np.zeros(zone.grid_shape, dtype=bool)
    for known in zone.known:
        if known.state == state:
            mask |= block_mask(zone, known.points)
    return mask & ~block_mask(zone, zone.skip)


def thickness_of(zone: Zone) -> NDArray[np.float64]:
    """Give the wall's thickness in mm by calliper at each point, (stations, positions); NaN where unknown."""
    thickness = np.full(zone.grid_shape, np.nan)
    for known in zone.known:
        if known.thickness_mm is not None:
            thickness[block_mask(zone, known.points)] = known.thickness_mm
    return thickness


def damages_of(zone: Zone) -> tuple[Known, ...]:
    """List the delaminations that are known."""
    return tuple(known for known in zone.known if known.state == "delaminated")
