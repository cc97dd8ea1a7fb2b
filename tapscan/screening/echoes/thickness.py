"""The wall's thickness as a result: what the report says of it, and where it is too thin.

Thickness is half of velocity times transit time (ASTM E797). A wall that changes smoothly or by steps is no
damage. Where the plan gives `thickness_tolerance`, a share of the nominal wall, points below that are listed
as `thin`.
"""

import numpy as np
from numpy.typing import NDArray

from tapscan.physics.waves import THINNEST_PLY_S, UNRESOLVED_CYCLES
from tapscan.plan import Zone

__all__ = ["DEAD_CYCLES", "dead_mm", "dead_words", "thickness_words", "thin_score"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Of the pulse: an echo this soon after the front surface's, or this little before the back wall's, is one
# with it. Half a cycle is the front-surface echo's main half-wave.
DEAD_CYCLES = (0.5, UNRESOLVED_CYCLES)
# What is said of a wall: from what this share of it is thinner than, to what the same share is thicker than.
TAIL = 0.005


def thickness_words(zone: Zone, thickness_mm: Floats, clear: Mask, frequency_hz: float) -> str:
    """Describe the wall and what cannot be resolved in it; empty where the plan gives no velocity."""
    known = thickness_mm[clear & np.isfinite(thickness_mm)]
    velocity_m_s = zone.laminate.velocity_m_s
    if velocity_m_s is None or not known.size:
        return ""
    low, high = np.quantile(known, [TAIL, 1 - TAIL])
    words = f"Wall {low:.2f} to {high:.2f} mm at clear points."
    steps = _steps(thickness_mm, clear, DEAD_CYCLES[1] / frequency_hz * velocity_m_s / 2 * 1e3)
    if steps.size:
        words += f" It steps by {np.median(steps):.2f} mm beside {steps.size} points."
    return f"{words} {dead_words(dead_mm(zone, frequency_hz))}".rstrip()


def dead_mm(zone: Zone, frequency_hz: float) -> tuple[float, float] | None:
    """Depths below the surface and heights above the back wall that a pulse of this frequency leaves unseen.

    None where the plan gives no velocity, or the frequency is unknown.
    """
    velocity_m_s = zone.laminate.velocity_m_s
    if velocity_m_s is None or not frequency_hz > 0:
        return None
    below_s, above_s = (cycles / frequency_hz for cycles in DEAD_CYCLES)
    return below_s * velocity_m_s / 2 * 1e3, max(above_s, THINNEST_PLY_S) * velocity_m_s / 2 * 1e3


def dead_words(dead: tuple[float, float] | None) -> str:
    """State which part of the wall was not inspected; empty where that is unknown."""
    if dead is None:
        return ""
    return (
        f"No delamination can be resolved in the first {dead[0]:.2f} mm below the surface and the last "
        f"{dead[1]:.2f} mm above the back wall, where echoes run into one at this frequency."
    )


def _steps(thickness_mm: Floats, clear: Mask, least_mm: float) -> Floats:
    """Give the sizes of all steps of thickness between clear neighbours."""
    known = np.where(clear, thickness_mm, np.nan)
    apart = np.concatenate([np.abs(np.diff(known, axis=axis)).ravel() for axis in (0, 1)])
    return np.asarray(apart[apart > least_mm])


def thin_score(zone: Zone, thickness_mm: Floats, read: Mask) -> Floats:
    """Give by how much of the tolerance each wall is too thin, (stations, positions): 1 is the limit.

    0 where the plan gives no tolerance or thickness, and where nothing was measured.
    """
    nominal_mm, tolerance = zone.laminate.thickness_mm, zone.laminate.thickness_tolerance
    if nominal_mm is None or tolerance is None:
        return np.zeros(thickness_mm.shape)
    short = np.where(read, 1 - thickness_mm / nominal_mm, 0.0) / tolerance
    return np.maximum(np.nan_to_num(short), 0.0)
