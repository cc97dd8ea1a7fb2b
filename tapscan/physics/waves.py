"""Ultrasound through a wall: impedance, reflection, time of flight."""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["THINNEST_PLY_S", "UNRESOLVED_CYCLES", "impedance_mrayl", "reflection", "time_of_flight_us"]

# Two echoes closer than this are one crest: the main half-wave of a pulse is half a cycle wide.
UNRESOLVED_CYCLES = 0.35
# Through 0.1 mm of laminate (2,950 m/s) and back. Policy: no ply is thinner, and a delamination is between
# plies, so that an echo which is earlier than the back wall by less is the back wall of a thinner place.
THINNEST_PLY_S = 68e-9


def impedance_mrayl(density_kg_m3: "ArrayLike", velocity_m_s: "ArrayLike") -> "NDArray[np.float64]":
    """Acoustic impedance ``Z = ρc`` in 10⁶ kg/(m²s); shapes broadcast. Source: definition.

    Examples
    --------
    >>> round(float(impedance_mrayl(1600.0, 3000.0)), 6)
    4.8
    """
    return np.asarray(np.asarray(density_kg_m3, dtype=float) * np.asarray(velocity_m_s, dtype=float) * 1e-6)


def reflection(from_mrayl: "ArrayLike", to_mrayl: "ArrayLike") -> "NDArray[np.float64]":
    """Pressure reflected at normal incidence, ``R = (Z₂ - Z₁) / (Z₂ + Z₁)``; negative turns the echo over.

    Source: any acoustics text, e.g. Kinsler et al., Fundamentals of Acoustics, ch. 6 (from memory).

    Examples
    --------
    >>> round(float(reflection(4.8, 1.48)), 5)
    -0.52866
    """
    first, second = np.asarray(from_mrayl, dtype=float), np.asarray(to_mrayl, dtype=float)
    return np.asarray((second - first) / (second + first))


def time_of_flight_us(depth_mm: "ArrayLike", velocity_m_s: "ArrayLike") -> "NDArray[np.float64]":
    """Round-trip time to a depth, ``2 d / c``; shapes broadcast. Source: ASTM E797.

    Examples
    --------
    >>> round(float(time_of_flight_us(25.0, 5920.0)), 6)
    8.445946
    """
    return np.asarray(2e3 * np.asarray(depth_mm, dtype=float) / np.asarray(velocity_m_s, dtype=float))
