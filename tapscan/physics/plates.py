"""Thin plates in bending: natural frequencies, stiffness under a point load, effective mass.

Thin isotropic Kirchhoff plates in vacuum: right to a few per cent while the radius is ten thicknesses
or more; on thicker plates shear makes the true frequency and stiffness lower.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "CLAMPED_MODAL_MASS_FRACTION",
    "Plate",
    "clamped_circle_eigenvalue",
    "clamped_circle_hz",
    "clamped_circle_shape",
    "clamped_point_stiffness_n_m",
    "flexural_rigidity_newton_m",
    "simply_supported_rectangle_hz",
]

# The share of the plate's mass ρhπa² that moves with the centre of a clamped circle in its first mode:
# the modal mass, 2 J0(λ)²/ψ(0)².
CLAMPED_MODAL_MASS_FRACTION = 0.182834


@dataclass(frozen=True, slots=True)
class Plate:
    """A uniform sheet: a wall, or the part of one above a delamination.

    `modulus_gpa` is the in-plane bending modulus of the quasi-isotropic equivalent.
    """

    thickness_mm: float
    modulus_gpa: float
    poisson: float
    density_kg_m3: float

    @property
    def mass_kg_m2(self) -> float:
        """Mass per area."""
        return self.density_kg_m3 * self.thickness_mm * 1e-3


def flexural_rigidity_newton_m(plate: Plate) -> float:
    """Bending stiffness per width, ``D = E h³ / 12 (1 - ν²)``, in N·m.

    Source: e.g. Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells, art. 1 (from memory).

    Examples
    --------
    >>> round(flexural_rigidity_newton_m(Plate(0.5, 55.0, 0.05, 1600.0)), 6)
    0.574353
    """
    return plate.modulus_gpa * 1e9 * (plate.thickness_mm * 1e-3) ** 3 / (12 * (1 - plate.poisson**2))


def clamped_circle_eigenvalue(diameters: int = 0, circles: int = 0) -> float:
    """λ² of a clamped circular plate with that many nodal diameters and interior nodal circles.

    λ is the root number ``circles + 1`` of ``Jn(λ) In+1(λ) + In(λ) Jn+1(λ) = 0``.
    Source: Leissa, Vibration of Plates, NASA SP-160, ch. 2 (from memory; the roots are computed here).

    Raises
    ------
    ValueError
        When either count is negative.

    Examples
    --------
    >>> round(clamped_circle_eigenvalue(), 5)
    10.21583
    """
    from scipy.special import ive, jv

    def characteristic(value: float) -> float:
        # Scaled In: the common factor exp(λ) moves no root and would overflow.
        return float(
            jv(diameters, value) * ive(diameters + 1, value)
            + ive(diameters, value) * jv(diameters + 1, value)
        )

    return _nth_root(characteristic, diameters, circles) ** 2


def _nth_root(characteristic: "Callable[[float], float]", diameters: int, circles: int) -> float:
    from scipy.optimize import brentq

    if diameters < 0 or circles < 0:
        msg = f"nodal lines are counted from 0 (got {diameters} diameters, {circles} circles)"
        raise ValueError(msg)
    # Neighbouring roots are about π apart and none is below n: steps of 0.1 cannot jump over a pair.
    grid = np.arange(max(0.5, diameters), diameters * 1.5 + (circles + 3) * np.pi, 0.1)
    values = np.array([characteristic(float(g)) for g in grid])
    crossings = np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:]))
    first = int(crossings[circles])
    return float(brentq(characteristic, grid[first], grid[first + 1], xtol=1e-13, rtol=1e-14))


@lru_cache(maxsize=64)
def _clamped_eigenvalue(diameters: int, circles: int) -> float:
    return clamped_circle_eigenvalue(diameters, circles)


def clamped_circle_hz(
    plate: Plate, radius_mm: "ArrayLike", diameters: int = 0, circles: int = 0
) -> "NDArray[np.float64]":
    """Natural frequency of a clamped circular plate, ``f = λ² / (2π a²) · √(D / ρh)``; shape of `radius_mm`.

    Source: Leissa, NASA SP-160, ch. 2 (from memory).

    Examples
    --------
    >>> round(float(clamped_circle_hz(Plate(1.0, 70.0, 0.33, 2700.0), 20.0)), 2)
    6329.17
    """
    return _circle_hz(plate, radius_mm, _clamped_eigenvalue(diameters, circles))


def _circle_hz(plate: Plate, radius_mm: "ArrayLike", eigenvalue: float) -> "NDArray[np.float64]":
    radius_m = np.asarray(radius_mm, dtype=float) * 1e-3
    return eigenvalue / (2 * np.pi * radius_m**2) * _speed_m2_s(plate)


def _speed_m2_s(plate: Plate) -> float:
    """√(D / ρh): what turns a squared wavenumber into an angular frequency."""
    return float(np.sqrt(flexural_rigidity_newton_m(plate) / plate.mass_kg_m2))


def simply_supported_rectangle_hz(
    plate: Plate, sides_mm: tuple[float, float], halfwaves: "tuple[ArrayLike, ArrayLike]"
) -> "NDArray[np.float64]":
    """Natural frequency of a simply supported rectangle, ``f = π/2 · √(D/ρh) · ((m/a)² + (n/b)²)``.

    `halfwaves` are m along the first side and n along the second, broadcast together.
    Source: Navier's solution, e.g. Leissa, Journal of Sound and Vibration 31(3) 1973, 257-293 (from memory).

    Examples
    --------
    >>> plate = Plate(1.6, 60.0, 0.3, 1550.0)
    >>> square = simply_supported_rectangle_hz(plate, (100.0, 100.0), (1, [1, 2]))
    >>> round(float(square[1] / square[0]), 6)
    2.5
    """
    along = np.asarray(halfwaves[0], dtype=float) / (sides_mm[0] * 1e-3)
    across = np.asarray(halfwaves[1], dtype=float) / (sides_mm[1] * 1e-3)
    return np.asarray(np.pi / 2 * _speed_m2_s(plate) * (along**2 + across**2))


def clamped_point_stiffness_n_m(
    plate: Plate, radius_mm: "ArrayLike", off_centre_mm: "ArrayLike" = 0.0
) -> "NDArray[np.float64]":
    """Stiffness in N/m felt by a point load on a clamped circular plate; shapes broadcast.

    ``k = 16πD / (a² (1 - b²/a²)²)`` with the load at distance b from the centre; inf at the edge and beyond.
    Source: Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells, art. 19 (from memory).

    Examples
    --------
    >>> plate = Plate(1.0, 70.0, 0.33, 2700.0)
    >>> f"{float(clamped_point_stiffness_n_m(plate, 20.0)):.5e}"
    '8.22622e+05'
    >>> float(clamped_point_stiffness_n_m(plate, 20.0, 20.0))
    inf
    """
    radius_m = np.asarray(radius_mm, dtype=float) * 1e-3
    inside = np.clip(1 - (np.asarray(off_centre_mm, dtype=float) * 1e-3 / radius_m) ** 2, 0.0, None)
    with np.errstate(divide="ignore"):
        return np.asarray(16 * np.pi * flexural_rigidity_newton_m(plate) / (radius_m * inside) ** 2)


def clamped_circle_shape(distance_over_radius: "ArrayLike", circles: int = 0) -> "NDArray[np.float64]":
    """Deflection of a clamped circular plate in an axisymmetric mode: 1 at the centre, 0 from the edge on.

    ``ψ(r) = J0(λr/a) - J0(λ)/I0(λ) · I0(λr/a)``, over its value at the centre.
    Source: Leissa, NASA SP-160, ch. 2 (from memory).

    Examples
    --------
    >>> clamped_circle_shape([0.0, 0.5, 1.0, 2.0]).round(3).tolist()
    [1.0, 0.525, 0.0, 0.0]
    """
    from scipy.special import i0, j0

    root = np.sqrt(_clamped_eigenvalue(0, circles))
    ratio = j0(root) / i0(root)
    inside = np.minimum(np.asarray(distance_over_radius, dtype=float), 1.0)
    return np.asarray((j0(root * inside) - ratio * i0(root * inside)) / (1 - ratio))
