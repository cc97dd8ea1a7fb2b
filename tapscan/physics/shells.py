"""Thin-walled tubes: bending as a beam, ovalling as a ring, and the modes between the two."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.physics.plates import Plate, flexural_rigidity_newton_m

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Tube", "free_beam_roots", "tube_mode_hz"]


@dataclass(frozen=True, slots=True)
class Tube:
    """A round thin-walled tube; `radius_mm` is that of the middle of the wall."""

    radius_mm: float
    wall: Plate


def free_beam_roots(count: int) -> "NDArray[np.float64]":
    """First `count` roots βL of a free-free beam in bending (those of a clamped-clamped beam, too).

    Roots of ``cos x cosh x = 1``, by Newton steps from ``(m + 1/2) π``, right to 2e-5 from the third on.
    Source: Blevins, Formulas for Natural Frequency and Mode Shape, ch. 8 (from memory; computed here).

    Examples
    --------
    >>> free_beam_roots(3).round(6).tolist()
    [4.730041, 7.853205, 10.995608]
    """
    roots = (np.arange(1, count + 1) + 0.5) * np.pi
    for _ in range(4):  # cos x - 1/cosh x has the same roots and does not overflow
        sech = 2 * np.exp(-roots) / (1 + np.exp(-2 * roots))
        roots = roots + (np.cos(roots) - sech) / (np.sin(roots) - sech * np.tanh(roots))
    return np.asarray(roots)


def tube_mode_hz(tube: Tube, wavenumber_per_mm: "ArrayLike", waves: "ArrayLike") -> "NDArray[np.float64]":
    """Frequency of a tube mode with an axial wavenumber (radians per mm) and full waves round the girth.

    With ``λ = k R``, ``ω² = n²/(n² + 1) · [D (λ² + n² - 1)² / (ρh R⁴) + E λ⁴ / (ρ R² (λ² + n²)²)]``: the
    wall's bending and its stretching along the axis. For λ → 0 it is Hoppe's ring, for n = 1 and a long tube
    the Euler-Bernoulli beam; between the two it is Donnell's shallow-shell result with those two limits put
    right. Source: Leissa, Vibration of Shells, NASA SP-288, ch. 2 for Donnell's terms (from memory; the
    joining of the limits is ours). Shapes broadcast; `waves` from 1.

    Examples
    --------
    >>> tube = Tube(19.1, Plate(1.6, 60.0, 0.3, 1550.0))
    >>> tube_mode_hz(tube, 0.0, [1, 2, 3]).round().tolist()
    [0.0, 3526.0, 9974.0]
    """
    n = np.asarray(waves, dtype=float)
    radius_m = tube.radius_mm * 1e-3
    axial = (np.asarray(wavenumber_per_mm, dtype=float) * tube.radius_mm) ** 2
    wall = tube.wall
    bending = flexural_rigidity_newton_m(wall) * (axial + n**2 - 1) ** 2 / (wall.mass_kg_m2 * radius_m**4)
    stretching = wall.modulus_gpa * 1e9 / wall.density_kg_m3 / radius_m**2 * (axial / (axial + n**2)) ** 2
    return np.asarray(np.sqrt(n**2 / (n**2 + 1) * (bending + stretching)) / (2 * np.pi))
