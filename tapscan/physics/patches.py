"""A round patch of a tube's wall, clamped at its rim: how much stiffer than a flat one, and how much higher.

On a tube a delaminated patch is a shallow cylindrical panel: it cannot bend without stretching, or without
folding into narrower waves round the girth. How much that matters hangs on a single number,

    ``Λ = 12 (a² / R h)²``

for radius a, thickness h and the tube's radius R: stretching over bending. A panel has Λ = 0.

The shallow-shell energy of a cylinder (Donnell's strains; Leissa, Vibration of Shells, NASA SP-288, ch. 2,
from memory) is minimised by Ritz's method over polynomials that vanish doubly at the rim; those of the two
displacements in the surface vanish there once and are eliminated.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from tapscan.physics.plates import (
    Plate,
    clamped_circle_eigenvalue,
    clamped_circle_hz,
    clamped_point_stiffness_n_m,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["curved_circle_hz", "curved_point_stiffness_n_m", "curving"]

# Both values have settled to 0.1 % at Λ = 1e5 (0.2 mm of laminate, 35 mm across, on a tube of 100 mm girth)
# and to 3 % at Λ = 1e6.
DEGREE = 16


@dataclass(frozen=True, slots=True, eq=False)
class _Ritz:
    """Energies of the unit disc: `bending` and `stretching` over D/a² and Λ D/a², `mass` over ρh a².

    `middle` holds each shape's deflection at the middle. All in deflections alone.
    """

    bending: "Floats"
    stretching: "Floats"
    mass: "Floats"
    middle: "Floats"


def curving(plate: Plate, radius_mm: float, tube_radius_mm: float) -> float:
    """Λ of a patch of `radius_mm` on a tube; 0 where the surface is flat (`tube_radius_mm` infinite).

    Source: the ratio of the two energies in the module's head.

    Examples
    --------
    >>> round(curving(Plate(0.5, 60.0, 0.3, 1550.0), 10.0, 20.0), 1)
    1200.0
    """
    return 12 * (radius_mm**2 / (tube_radius_mm * plate.thickness_mm)) ** 2


def curved_point_stiffness_n_m(plate: Plate, radius_mm: float, tube_radius_mm: float) -> float:
    """Stiffness felt by a point load in the middle of a clamped round patch of a tube.

    On a flat surface it is exactly that of the plate, ``16πD/a²``. Source: see the module's head.

    Examples
    --------
    >>> plate = Plate(0.5, 60.0, 0.3, 1550.0)
    >>> flat, curved = (curved_point_stiffness_n_m(plate, 10.0, tube_mm) for tube_mm in (float("inf"), 19.1))
    >>> round(curved / flat, 2)
    3.85
    """
    ritz = _ritz(plate.poisson)
    stretch = curving(plate, radius_mm, tube_radius_mm)
    give = ritz.middle @ np.linalg.solve(ritz.bending + stretch * ritz.stretching, ritz.middle)
    # Polynomials are slow to follow the point of the deflection under the load, which curvature leaves alone:
    # what they lack on the flat plate is added.
    lacking = 1 / (16 * np.pi) - ritz.middle @ np.linalg.solve(ritz.bending, ritz.middle)
    flat = float(clamped_point_stiffness_n_m(plate, radius_mm))
    return flat / (16 * np.pi * float(give + lacking))


def curved_circle_hz(plate: Plate, radius_mm: float, tube_radius_mm: float) -> float:
    """Lowest note of a clamped round patch of a tube that a tap on its middle rouses.

    That is a mode even along and round the tube: one swelling on a flat surface, several waves round the
    girth where that stretches the patch less. Source: see the module's head.

    Examples
    --------
    >>> plate = Plate(0.5, 60.0, 0.3, 1550.0)
    >>> flat, curved = (curved_circle_hz(plate, 10.0, tube_mm) for tube_mm in (float("inf"), 19.1))
    >>> round(curved / flat, 2)
    2.89
    """
    from scipy.linalg import eigh

    ritz = _ritz(plate.poisson)
    stiffness = ritz.bending + curving(plate, radius_mm, tube_radius_mm) * ritz.stretching
    lowest = float(eigh(stiffness, ritz.mass, eigvals_only=True, subset_by_index=[0, 0])[0])
    flat_hz = float(clamped_circle_hz(plate, radius_mm))
    return flat_hz * float(np.sqrt(lowest)) / clamped_circle_eigenvalue()


@lru_cache(maxsize=8)
def _ritz(poisson: float) -> _Ritz:
    x, y, weight = _disc(DEGREE + 6)
    w, _, _, bent = _shapes(x, y, 0, 0, power=2)
    u = _shapes(x, y, 1, 0, power=1)
    v = _shapes(x, y, 0, 1, power=1)
    none = np.zeros_like(u[0])
    # Strains of (u, v, w) in units of a/R: along, round, shear. The deflection stretches the girth alone.
    along = np.vstack([u[1], np.zeros_like(v[0]), np.zeros_like(w)])
    round_ = np.vstack([none, v[2], w])
    shear = np.vstack([u[2], v[1], np.zeros_like(w)])

    def product(first: "Floats", second: "Floats") -> "Floats":
        return np.asarray((first * weight) @ second.T)

    cross = product(along, round_)
    whole = product(along, along) + product(round_, round_) + poisson * (cross + cross.T)
    whole += (1 - poisson) / 2 * product(shear, shear)
    inside = u[0].shape[0] + v[0].shape[0]
    coupling = whole[:inside, inside:]
    relaxed = whole[inside:, inside:] - coupling.T @ np.linalg.solve(whole[:inside, :inside], coupling)
    middle = _shapes(np.zeros(1), np.zeros(1), 0, 0, power=2)[0][:, 0]
    return _Ritz(product(bent, bent), (relaxed + relaxed.T) / 2, product(w, w), middle)


def _disc(nodes: int) -> "tuple[Floats, Floats, Floats]":
    """Nodes and weights for polynomials over the unit disc: Gauss along the radius, even steps round it."""
    at, weight = np.polynomial.legendre.leggauss(nodes)
    radius, turns = (at + 1) / 2, 4 * nodes
    angle = 2 * np.pi * np.arange(turns) / turns
    x, y = np.outer(radius, np.cos(angle)).ravel(), np.outer(radius, np.sin(angle)).ravel()
    return x, y, np.repeat(weight / 2 * radius * 2 * np.pi / turns, turns)


def _shapes(
    x: "Floats", y: "Floats", odd_x: int, odd_y: int, *, power: int
) -> "tuple[Floats, Floats, Floats, Floats]":
    """``(1 - r²)^power`` times Legendre polynomials of this parity: values, slopes in x and y, Laplacian.

    Each of shape (shapes, places).
    """
    from numpy.polynomial.legendre import legder, legval

    def polynomial(degree: int, at: "Floats") -> "tuple[Floats, Floats, Floats]":
        series = np.eye(degree + 1)[degree]
        value, slope, bend = (np.asarray(legval(at, legder(series, k) if k else series)) for k in range(3))
        return value, slope, bend

    rest = 1 - x**2 - y**2
    rim, slope = rest**power, -2 * power * rest ** (power - 1)  # slope in x is x times this
    curve = 4 * power * (power - 1) * (x**2 + y**2) * rest ** max(power - 2, 0) + 2 * slope
    values, in_x, in_y, laplacian = [], [], [], []
    for i in range(odd_x, DEGREE + 1, 2):
        for j in range(odd_y, DEGREE + 1 - i, 2):
            (p, p1, p2), (q, q1, q2) = polynomial(i, x), polynomial(j, y)
            values.append(rim * p * q)
            in_x.append(slope * x * p * q + rim * p1 * q)
            in_y.append(slope * y * p * q + rim * p * q1)
            laplacian.append(curve * p * q + 2 * slope * (x * p1 * q + y * p * q1) + rim * (p2 * q + p * q2))
    return np.array(values), np.array(in_x), np.array(in_y), np.array(laplacian)
