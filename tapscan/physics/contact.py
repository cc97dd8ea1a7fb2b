"""A light tapper on a springy surface: how long it touches, how hard, and what that excites."""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "contact_time_us",
    "half_sine_transform",
    "peak_force_n",
    "series_stiffness_n_m",
]


def series_stiffness_n_m(*stiffness_n_m: "ArrayLike") -> "NDArray[np.float64]":
    """Stiffness of springs one behind the other, ``1/k = Σ 1/kᵢ``; shapes broadcast; inf is a rigid link.

    Source: the spring model of Cawley & Adams, Journal of Sound and Vibration 122(2) 1988, 299-316
    (from memory).

    Examples
    --------
    >>> float(series_stiffness_n_m(50e6, 10e6)) / 1e6
    8.333333333333334
    >>> float(series_stiffness_n_m(50e6, float("inf"))) / 1e6
    50.0
    """
    compliance: NDArray[np.float64] = np.zeros(())
    for stiffness in stiffness_n_m:
        compliance = compliance + 1 / np.asarray(stiffness, dtype=float)
    return np.asarray(1 / compliance)


def contact_time_us(mass_g: "ArrayLike", stiffness_n_m: "ArrayLike") -> "NDArray[np.float64]":
    """Half a period of a mass on a spring, ``τ = π √(m/k)``: how long a bounce touches; shapes broadcast.

    Source: Cawley & Adams 1988 (from memory); elementary mechanics.

    Examples
    --------
    >>> round(float(contact_time_us(10.0, 1e6)), 3)
    314.159
    """
    return np.asarray(
        np.pi * np.sqrt(np.asarray(mass_g, dtype=float) * 1e-3 / np.asarray(stiffness_n_m, dtype=float)) * 1e6
    )


def peak_force_n(
    speed_m_s: "ArrayLike", mass_g: "ArrayLike", stiffness_n_m: "ArrayLike"
) -> "NDArray[np.float64]":
    """Largest force as a mass arrives at that speed on a spring, ``v √(mk)``; shapes broadcast.

    Source: elementary mechanics (all the kinetic energy in the spring).

    Examples
    --------
    >>> round(float(peak_force_n(1.0, 10.0, 1e6)), 9)
    100.0
    """
    product = np.asarray(mass_g, dtype=float) * 1e-3 * np.asarray(stiffness_n_m, dtype=float)
    return np.asarray(np.asarray(speed_m_s, dtype=float) * np.sqrt(product))


def half_sine_transform(frequency_hz: "ArrayLike", duration_s: "ArrayLike") -> "NDArray[np.complex128]":
    """Fourier transform of a half-sine pulse of peak 1 that starts at time 0, in seconds; shapes broadcast.

    ``F(f) = (2τ/π) · cos(πfτ) / (1 - (2fτ)²) · exp(-iπfτ)``. Source: elementary transform.

    Examples
    --------
    >>> value = complex(half_sine_transform(5000.0, 1e-4))
    >>> round(value.imag * 1e6, 6), abs(value.real) < 1e-15
    (-50.0, True)
    """
    duration = np.asarray(duration_s, dtype=float)
    cycles = np.asarray(frequency_hz, dtype=float) * duration
    # cos(πx) / (1 - 4x²) = (π/4) · [sinc(x + 1/2) + sinc(x - 1/2)]: no 0/0 at x = 1/2.
    size = (np.sinc(cycles + 0.5) + np.sinc(cycles - 0.5)) * duration / 2
    return np.asarray(size * np.exp(-1j * np.pi * cycles))
