"""Modes of plates with an odd outline by a general finite-element library; writes `odd_plates.npz`.

Run it once, after a change here (`make_plates.py` says how). Lengths count in L, the longer side of the box
round the plate. Flat plates are Kirchhoff's, with Argyris triangles, as the panels of `make_plates.py`. The
library has no shell elements; the saddle is a shallow shell (Marguerre's strains, from memory): the same
bending, and in its plane quadratic triangles without inertia, coupled by the curvature. Its one number is
`bend` = L²/(R h), so that the radius R follows from length and wall. Each edge is free, the whole on a soft
bed, as of foam. Shapes are fitted by products of Legendre polynomials over the box; outside the outline the
fit means nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.sparse import block_array, csr_array
from scipy.sparse.linalg import eigsh

from tests.independent.make_plates import POISSON, STEP, _say

Array = NDArray[np.float64]
Ring = list[tuple[float, float]]

OUT = Path(__file__).with_name("odd_plates.npz")
MODES = 130
DEGREES = (38, 38)  # of the Legendre products, within an ellipse
CELLS = 26  # along L
BED = 9.0  # of D/L⁴: rigid modes at κ = 3
HELD = 1e-6  # numerical: share of the membrane's stiffness that keeps it from floating away
RIDGE = 1e-8  # numerical: keeps the fit small outside the outline


@dataclass(frozen=True, slots=True)
class OddPlate:
    """A plate in a box of 1 by `aspect`; `rings` are its outline and its holes."""

    name: str
    aspect: float
    rings: tuple[Ring, ...]
    bend: float = 0.0
    mesh: Callable[[], Any] | None = None


def _circle(radius: float, x: float, y: float, corners: int) -> Ring:
    turn = np.arange(corners) * 2 * np.pi / corners
    return [
        (x + radius * float(c), y + radius * float(s))
        for c, s in zip(np.cos(turn), np.sin(turn), strict=True)
    ]


HOLE = (0.14, 0.56, 0.45)
ROUND = 72


def odd_plates() -> tuple[OddPlate, ...]:
    """The plates that are kept."""
    ell = [(0.0, 0.0), (1.0, 0.0), (1.0, 0.46), (0.46, 0.46), (0.46, 1.0), (0.0, 1.0)]
    tee = [
        (0.0, 0.0),
        (1.0, 0.0),
        (1.0, 0.38),
        (0.7, 0.38),
        (0.7, 0.88),
        (0.3, 0.88),
        (0.3, 0.38),
        (0.0, 0.38),
    ]
    whole = [(0.0, 0.0), (1.0, 0.0), (1.0, 0.76), (0.0, 0.76)]
    disc = (_circle(0.5, 0.5, 0.5, ROUND), _circle(*HOLE, ROUND))
    return (
        OddPlate("L", 1.0, (ell,)),
        OddPlate("T", 0.88, (tee,)),
        OddPlate("disc with a hole", 1.0, disc, mesh=_ring_mesh),
        OddPlate("saddle", 0.76, (whole,), bend=50.0),
    )


def _ring_mesh() -> Any:
    """Triangles between the hole's rim and the disc's."""
    import skfem

    outer, inner = (np.array(ring) for ring in odd_disc())
    share = np.linspace(0, 1, 13)[:, None, None]
    nodes = (inner + share * (outer - inner)).reshape(-1, 2)
    row, turn = np.meshgrid(np.arange(12), np.arange(ROUND), indexing="ij")
    a, b = (row * ROUND + turn).ravel(), (row * ROUND + (turn + 1) % ROUND).ravel()
    triangles = np.hstack([[a, b, a + ROUND], [b, b + ROUND, a + ROUND]])
    return skfem.MeshTri(np.ascontiguousarray(nodes.T), triangles)


def odd_disc() -> tuple[Ring, Ring]:
    """The disc's outline and its hole, corner by corner in step."""
    return _circle(0.5, 0.5, 0.5, ROUND), _circle(*HOLE, ROUND)


def _box_mesh(plate: OddPlate) -> Any:
    """Squares of a tensor grid whose middles are within the outline, halved."""
    import skfem

    corners = np.array(plate.rings[0])
    sides = [_lines(corners[:, k], 1 / CELLS) for k in (0, 1)]
    mesh = skfem.MeshTri.init_tensor(*sides)
    middle = mesh.p[:, mesh.t].mean(axis=1).T
    return mesh.remove_elements(np.flatnonzero(~_within(middle, plate.rings)))


def _lines(corners: Array, step: float) -> Array:
    """Grid lines through every corner, no farther apart than about `step`."""
    stops = np.unique(corners)
    return np.unique(
        np.concatenate([np.linspace(a, b, round((b - a) / step) + 1) for a, b in pairwise(stops)])
    )


def _within(places: Array, rings: tuple[Ring, ...]) -> NDArray[np.bool_]:
    from matplotlib.path import Path as Outline

    first, *holes = (Outline(np.array(ring)) for ring in rings)
    found = first.contains_points(places)
    for hole in holes:
        found &= ~hole.contains_points(places)
    return np.asarray(found)


def odd_modes(plate: OddPlate) -> tuple[Array, Array, Array, Any]:
    """κ of each mode (modes,), that of its bending alone, Argyris coefficients (dofs, modes), basis."""
    import skfem
    from skfem.helpers import dd, ddot, trace

    mesh = _box_mesh(plate) if plate.mesh is None else plate.mesh()
    basis = skfem.Basis(mesh, skfem.ElementTriArgyris(), intorder=10)

    @skfem.BilinearForm
    def bending(u: Any, v: Any, _w: Any) -> Any:
        a, b = dd(u), dd(v)
        return (1 - POISSON) * ddot(a, b) + POISSON * trace(a) * trace(b) + BED * u * v

    @skfem.BilinearForm
    def inertia(u: Any, v: Any, _w: Any) -> Any:
        return u * v

    bent, mass = bending.assemble(basis), inertia.assemble(basis)
    stiffness, moved = (bent, mass) if not plate.bend else _curved(plate, basis, bent, mass)
    values, vectors = eigsh(
        stiffness.tocsc(), MODES, moved.tocsc(), sigma=-50.0, v0=moved @ np.ones(moved.shape[0])
    )
    order = np.argsort(values)
    shapes = vectors[: basis.N, order]
    own = np.einsum("im,im->m", shapes, bent @ shapes)
    return np.sqrt(values[order]), np.sqrt(own), shapes, basis


def _curved(plate: OddPlate, basis: Any, bent: Any, mass: Any) -> tuple[Any, Any]:
    """Stiffness and mass of deflection and membrane together; z = (x² - y²)/2R about the middle."""
    import skfem
    from skfem.helpers import ddot, eye, sym_grad, trace

    flat = skfem.Basis(basis.mesh, skfem.ElementVector(skfem.ElementTriP2()), intorder=10)

    def stress(strain: Any) -> Any:
        return 12 * ((1 - POISSON) * strain + POISSON * eye(trace(strain), 2))

    def curved(w: Any) -> Any:
        zero = 0 * w
        return plate.bend * np.array([[w, zero], [zero, -w]])

    @skfem.BilinearForm
    def membrane(u: Any, v: Any, _w: Any) -> Any:
        held = 12 * HELD * (u[0] * v[0] + u[1] * v[1])
        return ddot(stress(sym_grad(u)), sym_grad(v)) + held

    @skfem.BilinearForm
    def across(u: Any, v: Any, _w: Any) -> Any:
        return ddot(stress(curved(u.value)), sym_grad(v))

    @skfem.BilinearForm
    def rise(u: Any, v: Any, _w: Any) -> Any:
        return ddot(stress(curved(u.value)), curved(v.value))

    joined = across.assemble(basis, flat)
    whole = block_array([[bent + rise.assemble(basis), joined.T], [joined, membrane.assemble(flat)]])
    return whole, block_array([[mass, None], [None, csr_array((flat.N, flat.N))]])


def _fitted(plate: OddPlate, shapes: Array, basis: Any) -> tuple[NDArray[np.int16], NDArray[np.int16], float]:
    """Degrees (2, products), coefficients (products, modes) and the largest relative misfit of a shape."""
    values = np.stack([basis.interpolate(shape).value.ravel() for shape in shapes.T], axis=1)
    x, y = basis.global_coordinates().value.reshape(2, -1)
    weight = basis.dx.ravel() / plate.aspect
    p, q = np.meshgrid(*(np.arange(d) for d in DEGREES), indexing="ij")
    inside = (p / DEGREES[0]) ** 2 + (q / DEGREES[1]) ** 2 < 1
    sides = [
        legendre.legvander(2 * at / size - 1, d - 1) * np.sqrt(2 * np.arange(d) + 1)
        for at, size, d in zip((x, y), (1.0, plate.aspect), DEGREES, strict=True)
    ]
    products = sides[0][:, p[inside]] * sides[1][:, q[inside]]
    weighted = products * weight[:, None]
    normal = products.T @ weighted + RIDGE * np.eye(products.shape[1])
    whole = np.round(np.linalg.solve(normal, weighted.T @ values) * STEP)
    if np.abs(whole).max() > np.iinfo(np.int16).max:
        msg = f"{plate.name}: a coefficient does not fit into 16 bits"
        raise OverflowError(msg)
    misfit = products @ (whole / STEP) - values
    relative = np.sqrt(weight @ misfit**2 / (weight @ values**2))
    return np.stack([p[inside], q[inside]]).astype(np.int16), whole.astype(np.int16), float(relative.max())


def main() -> None:
    arrays: dict[str, Any] = {}
    for plate in odd_plates():
        kappa, bent, shapes, basis = odd_modes(plate)
        degrees, coefficients, misfit = _fitted(plate, shapes, basis)
        _say(f"{plate.name}: κ {np.round(kappa[:6], 2)} to {kappa[-1]:.0f}, misfit {misfit:.1e}")
        kept = {
            "kappa": kappa,
            "bent": bent,
            "degrees": degrees,
            "coefficients": coefficients,
            "thickness": np.ones((2, 2), dtype=np.float32),
            "properties": np.array([plate.aspect, 1.0, POISSON, (1 - POISSON) / 2]),
            "bend": np.array(plate.bend),
            "rings": np.array(len(plate.rings)),
        } | {f"ring {n}": np.array(ring) for n, ring in enumerate(plate.rings)}
        arrays |= {f"panel/{plate.name}/{key}": value for key, value in kept.items()}
    np.savez_compressed(OUT, **arrays)
    _say(f"{OUT.name}: {OUT.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
