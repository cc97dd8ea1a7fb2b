"""Ultrasound through a wall: impedance, reflection, depth and time, beam, attenuation, calibration."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "UNRESOLVED_CYCLES",
    "Calibration",
    "attenuation_db_mm",
    "depth_mm",
    "half_angle_deg",
    "impedance_mrayl",
    "near_field_mm",
    "reflection",
    "time_of_flight_us",
    "transmitted_energy",
    "two_point_calibration",
]

# Two echoes closer than this are one crest: the main half-wave of a pulse is half a cycle wide.
UNRESOLVED_CYCLES = 0.35


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


def transmitted_energy(from_mrayl: "ArrayLike", to_mrayl: "ArrayLike") -> "NDArray[np.float64]":
    """Share of the energy that passes, ``1 - R²``; also what a pressure echo keeps on its way in and out.

    Source: as for `reflection` (from memory).

    Examples
    --------
    >>> round(float(transmitted_energy(4.8, 3.12)), 3)
    0.955
    """
    return np.asarray(1 - reflection(from_mrayl, to_mrayl) ** 2)


def depth_mm(time_us: "ArrayLike", velocity_m_s: "ArrayLike") -> "NDArray[np.float64]":
    """Depth of a reflector from the round-trip time inside the wall, ``c t / 2``; shapes broadcast.

    Source: ASTM E797 (time is the round trip).

    Examples
    --------
    >>> round(float(depth_mm(3.333333, 3000.0)), 6)
    5.0
    """
    return np.asarray(np.asarray(time_us, dtype=float) * np.asarray(velocity_m_s, dtype=float) * 1e-3 / 2)


def time_of_flight_us(depth_mm: "ArrayLike", velocity_m_s: "ArrayLike") -> "NDArray[np.float64]":
    """Round-trip time to a depth, ``2 d / c``; shapes broadcast. Source: ASTM E797.

    Examples
    --------
    >>> round(float(time_of_flight_us(25.0, 5920.0)), 6)
    8.445946
    """
    return np.asarray(2e3 * np.asarray(depth_mm, dtype=float) / np.asarray(velocity_m_s, dtype=float))


@dataclass(frozen=True, slots=True)
class Calibration:
    """What two known thicknesses say of a wall and a probe: ``time = zero_us + 2 d / velocity``."""

    velocity_m_s: float
    zero_us: float


def two_point_calibration(thickness_mm: tuple[float, float], time_us: tuple[float, float]) -> Calibration:
    """Velocity and zero offset from the round-trip times of two known thicknesses.

    ``c = 2 Δd / Δt``, ``zero = t₁ - 2 d₁ / c``. Source: ASTM E797 (from memory).

    Raises
    ------
    ValueError
        When the two thicknesses or the two times are the same, or the thicker one is the quicker.

    Examples
    --------
    >>> two_point_calibration((2.0, 10.0), (1.75, 7.083333333333333))
    Calibration(velocity_m_s=3000.0, zero_us=0.41666666666666674)
    """
    slope_us_mm = (
        (time_us[1] - time_us[0]) / (thickness_mm[1] - thickness_mm[0])
        if thickness_mm[0] != thickness_mm[1]
        else 0.0
    )
    if slope_us_mm <= 0:
        msg = f"the thicker of {thickness_mm} mm must take longer (got {time_us} µs)"
        raise ValueError(msg)
    return Calibration(2e3 / slope_us_mm, time_us[0] - thickness_mm[0] * slope_us_mm)


def near_field_mm(
    diameter_mm: "ArrayLike", frequency_mhz: "ArrayLike", velocity_m_s: "ArrayLike"
) -> "NDArray[np.float64]":
    """Distance of the last pressure maximum on the axis of a round probe, ``D² f / 4c``; shapes broadcast.

    Without the wavelength term, ``(D² - λ²) / 4λ`` exactly; 0.2 % high at 12.7 mm and 5 MHz.
    Source: university teaching pages on ultrasonic testing (worked example in the tests).

    Examples
    --------
    >>> round(float(near_field_mm(12.7, 5.0, 3000.0)), 3)
    67.204
    """
    wavelength = _wavelength_mm(frequency_mhz, velocity_m_s)
    return np.asarray(np.asarray(diameter_mm, dtype=float) ** 2 / (4 * wavelength))


def half_angle_deg(
    diameter_mm: "ArrayLike", frequency_mhz: "ArrayLike", velocity_m_s: "ArrayLike"
) -> "NDArray[np.float64]":
    """Angle off the axis at which a round probe's pulse-echo has lost 6 dB, ``sin θ = 0.5145 λ / D``.

    Shapes broadcast; NaN when the probe is so small that the beam never falls by 6 dB. The constant solves
    ``2 J1(x)/x = 10^(-3/20)`` with ``x = π D sin θ / λ``; handbooks print 0.51 (from memory).

    Examples
    --------
    >>> round(float(half_angle_deg(12.7, 5.0, 3000.0)), 3)
    1.393
    """
    sine = 0.5145 * _wavelength_mm(frequency_mhz, velocity_m_s) / np.asarray(diameter_mm, dtype=float)
    return np.asarray(np.degrees(np.arcsin(np.where(sine <= 1, sine, np.nan))))


def _wavelength_mm(frequency_mhz: "ArrayLike", velocity_m_s: "ArrayLike") -> "NDArray[np.float64]":
    return np.asarray(np.asarray(velocity_m_s, dtype=float) * 1e-3 / np.asarray(frequency_mhz, dtype=float))


def attenuation_db_mm(
    first_amplitude: "ArrayLike",
    second_amplitude: "ArrayLike",
    thickness_mm: "ArrayLike",
    boundary_loss_db: "ArrayLike" = 0.0,
) -> "NDArray[np.float64]":
    """Loss per mm of path from two successive back-wall echoes, ``(20 log₁₀(A₁/A₂) - loss) / 2d``.

    `boundary_loss_db` is what reflection and beam spread alone would take: ``-20 log₁₀|R₁R₂|`` plus,
    far beyond the near field, 6.02 dB. Shapes broadcast. Source: plane-wave bookkeeping (from memory).

    Examples
    --------
    >>> round(float(attenuation_db_mm(1.0, 0.5, 2.0)), 4)
    1.5051
    """
    ratio_db = 20 * np.log10(np.abs(np.asarray(first_amplitude, dtype=float) / second_amplitude))
    return np.asarray((ratio_db - boundary_loss_db) / (2 * np.asarray(thickness_mm, dtype=float)))
