"""Modes of flat panels and of loose sheets by a general finite-element library; writes `plates.npz`.

Run it once, after a change here:

    pip install scikit-fem && python -m tests.independent.make_plates

No test needs the library: what the script found is beside it, in small arrays without units.

Panels: Kirchhoff plates, orthotropic, Argyris triangles (fifth order). Lengths count in panel lengths L,
thickness in the nominal h, so that a mode has κ = ω L² √(ρh/D) and a shape with ∫(t/h) φ² dA/L² = 1; D is
the nominal bending stiffness along x. Shapes are kept as products of Legendre polynomials.
Sheets: clamped round an outline, isotropic (ν = 0.3), Morley triangles; lengths count in the first radius a.
Some are bridged: springs in the gap hold a part of the rim, or some spots. Shapes are kept on a grid.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.sparse.linalg import eigsh

Array = NDArray[np.float64]
Field = Callable[[Array, Array], Array]

OUT = Path(__file__).with_name("plates.npz")
POISSON = 0.3
PANEL_MODES, SHEET_MODES, SHEET_MODES_SUMMED = 200, 32, 120
DEGREES = (52, 32)  # of the Legendre products along and across, within an ellipse
STEP = 8192  # a coefficient of 1 in the 16-bit integers kept
GRID = 33  # points along a side of a sheet's square
SHEET_REFINEMENTS = 6
PANEL_CELLS = 30


def _ones(x: Array, y: Array) -> Array:
    return np.ones_like(x + y)


def _nothing(x: Array, y: Array) -> Array:
    return np.zeros_like(x + y)


@dataclass(frozen=True, slots=True)
class Panel:
    """A panel of length 1 along x; `bed` is a spring under it, of D/L⁴; `held` maps edges to 'clamped' or
    'simple'; stiffness ratios are those of D22, D12 and D66 to D11.
    """

    name: str
    aspect: float
    thickness: Field = field(default=_ones)
    extra_mass: Field = field(default=_nothing)  # of the nominal laminate, that adds no stiffness
    stiffness: Field = field(default=_ones)  # times what the thickness gives
    bed: Field = field(default=_nothing)
    held: tuple[tuple[str, str], ...] = ()
    ratios: tuple[float, float, float] = (1.0, POISSON, (1 - POISSON) / 2)


def _step(distance: Array, width: float) -> Array:
    """From 0 to 1 over a taper of that width, smooth at both ends."""
    u = np.clip(distance / width + 0.5, 0, 1)
    return u**3 * (10 - 15 * u + 6 * u**2)


def _bands(near: float, stiffness: float) -> Field:
    """Springs under both short edges, as of foam strips."""
    return lambda x, _y: stiffness * (1 - _step(np.minimum(x, 1 - x) - near, near / 2))


def _uneven(x: Array, y: Array) -> Array:
    waves = ((1, 0, 0.4, 0.03), (1, 2, 1.3, 0.025), (2, 1, 2.9, 0.02), (3, 3, 0.8, 0.015))
    return 1 + sum(a * np.cos(np.pi * (i * x + j * y) + phase) for i, j, phase, a in waves)


def _insert(x: Array, y: Array) -> Array:
    """A round insert of 0.05 radius, and what it adds to the thickness around it."""
    return 1 - _step(np.hypot(x - 0.7, y - 0.31) - 0.05, 0.03)


def _panels() -> tuple[Panel, ...]:
    weak_bed = 9.0  # rigid modes at κ = 3, where a free panel's first bending is beyond 20
    laid = (0.75, 0.22, 0.28)
    return (
        Panel("plain", 0.5, held=(("left", "clamped"),), ratios=laid),
        Panel(
            "doubler",
            0.5,
            thickness=lambda x, _y: 1 + 0.4 * (_step(x - 0.45, 0.03) - _step(x - 0.6, 0.03)),
            bed=lambda x, _y: weak_bed + 0 * x,
        ),
        Panel("uneven", 0.45, thickness=_uneven, bed=_bands(0.05, 4e4), ratios=(1.3, 0.32, 0.42)),
        Panel(
            "ply drop",
            0.6,
            thickness=lambda x, y: 1 - 0.25 * _step(x + 0.15 * y - 0.62, 0.05),
            held=(("left", "simple"), ("right", "simple")),
            ratios=laid,
        ),
        Panel(
            "stiffened edge",
            0.4,
            thickness=lambda x, y: 1 + 0.9 * (1 - _step(y - 0.04, 0.03)) + 0.5 * _insert(x, y),
            extra_mass=lambda x, y: 0.8 * _insert(x, y),
            held=(("right", "clamped"),),
            bed=lambda x, _y: weak_bed + 0 * x,
        ),
    )


def _held_dofs(basis: Any, held: tuple[tuple[str, str], ...]) -> NDArray[np.int64]:
    """Argyris degrees of freedom that straight edges hold: deflection, and slope where clamped."""
    along = {
        "left": ("u_y", "u_yy"),
        "right": ("u_y", "u_yy"),
        "top": ("u_x", "u_xx"),
        "bottom": ("u_x", "u_xx"),
    }
    across = {"left": "u_x", "right": "u_x", "top": "u_y", "bottom": "u_y"}
    found: list[NDArray[np.int64]] = []
    for edge, how in held:
        names = ["u", *along[edge]] + ([across[edge], "u_xy", "u_n"] if how == "clamped" else [])
        dofs = basis.get_dofs(edge)
        found += [dofs.all([name]) for name in names]
    return np.unique(np.concatenate(found)) if found else np.zeros(0, dtype=np.int64)


def panel_modes(panel: Panel, modes: int, cells: int = PANEL_CELLS) -> tuple[Array, Array, Any]:
    """κ of each mode (modes,), Argyris coefficients (dofs, modes), basis."""
    import skfem
    from skfem.helpers import dd

    across = max(4, round(cells * panel.aspect))
    mesh = skfem.MeshTri.init_tensor(np.linspace(0, 1, cells + 1), np.linspace(0, panel.aspect, across + 1))
    mesh = mesh.with_boundaries(
        {
            "left": lambda x: x[0] < 1e-9,
            "right": lambda x: x[0] > 1 - 1e-9,
            "bottom": lambda x: x[1] < 1e-9,
            "top": lambda x: x[1] > panel.aspect - 1e-9,
        }
    )
    basis = skfem.Basis(mesh, skfem.ElementTriArgyris(), intorder=10)
    d22, d12, d66 = panel.ratios

    @skfem.BilinearForm
    def bending(u: Any, v: Any, w: Any) -> Any:
        a, b = dd(u), dd(v)
        rigid = panel.thickness(*w.x) ** 3 * panel.stiffness(*w.x)
        twist = 4 * d66 * a[0, 1] * b[0, 1]
        direct = a[0, 0] * b[0, 0] + d22 * a[1, 1] * b[1, 1] + d12 * (a[0, 0] * b[1, 1] + a[1, 1] * b[0, 0])
        return rigid * (direct + twist) + panel.bed(*w.x) * u * v

    @skfem.BilinearForm
    def inertia(u: Any, v: Any, w: Any) -> Any:
        return (panel.thickness(*w.x) + panel.extra_mass(*w.x)) * u * v

    kappa, shapes = _modes(basis, (bending, inertia), _held_dofs(basis, panel.held), modes)
    return kappa, shapes, basis


def _modes(basis: Any, forms: tuple[Any, Any], held: NDArray[np.int64], modes: int) -> tuple[Array, Array]:
    """Square roots of the lowest eigenvalues, and mass-normalised shapes (dofs, modes)."""
    stiffness, mass = (form.assemble(basis) for form in forms)
    free = np.setdiff1d(np.arange(basis.N), held)
    values, vectors = eigsh(
        stiffness[free][:, free].tocsc(),
        modes,
        mass[free][:, free].tocsc(),
        sigma=-50.0,
        v0=np.ones(free.size),
    )
    order = np.argsort(values)
    shapes = np.zeros((basis.N, modes))
    shapes[free] = vectors[:, order]
    return np.sqrt(np.maximum(values[order], 0)), shapes


def _kept(panel: Panel, shapes: Array, basis: Any) -> tuple[NDArray[np.int16], NDArray[np.int16], float]:
    """Degrees (2, products), coefficients (products, modes) and the largest relative misfit of a shape."""
    nodes = [legendre.leggauss(n + 24) for n in DEGREES]
    x, y = np.meshgrid((nodes[0][0] + 1) / 2, (nodes[1][0] + 1) / 2 * panel.aspect, indexing="ij")
    values = basis.probes(np.stack([x.ravel(), y.ravel()])) @ shapes
    values = values.reshape(*x.shape, -1)
    sides = [
        legendre.legvander(n, d - 1) * np.sqrt(2 * np.arange(d) + 1)
        for (n, _), d in zip(nodes, DEGREES, strict=True)
    ]
    weighted = [side * weight[:, None] / 2 for side, (_, weight) in zip(sides, nodes, strict=True)]
    products = np.einsum("xp,yq,xym->pqm", *weighted, values, optimize=True)
    p, q = np.meshgrid(*(np.arange(d) for d in DEGREES), indexing="ij")
    inside = (p / DEGREES[0]) ** 2 + (q / DEGREES[1]) ** 2 < 1
    whole = np.round(products[inside] * STEP)
    if np.abs(whole).max() > np.iinfo(np.int16).max:
        msg = f"{panel.name}: a coefficient does not fit into 16 bits"
        raise OverflowError(msg)
    rebuilt = np.zeros_like(products)
    rebuilt[inside] = whole / STEP
    misfit = np.einsum("xp,yq,pqm->xym", *sides, rebuilt, optimize=True) - values
    relative = np.sqrt((misfit**2).mean(axis=(0, 1)) / (values**2).mean(axis=(0, 1)))
    return np.stack([p[inside], q[inside]]).astype(np.int16), whole.astype(np.int16), float(relative.max())


@dataclass(frozen=True, slots=True)
class Outline:
    """Rim of a loose sheet: an ellipse of radii 1 and `aspect`, times 1 + Σ a cos(nθ + φ)."""

    name: str
    aspect: float
    waves: tuple[tuple[int, float, float], ...] = ()
    bridges: Field = field(default=_nothing)  # springs in the gap, of D/a⁴

    def swell(self, angle: Array) -> Array:
        return 1 + sum(
            (a * np.cos(n * angle + phase) for n, a, phase in self.waves), start=np.zeros_like(angle)
        )


def _rim_bridges(x: Array, y: Array) -> Array:
    """Fibres across the gap along two fifths of the rim, over a third of the radius."""
    angle = np.arctan2(y, x)
    return 3e3 * _step(np.hypot(x, y) - 0.66, 0.1) * (np.cos(angle - 0.6) > np.cos(0.4 * np.pi))


def _spot_bridges(x: Array, y: Array) -> Array:
    spots = ((0.55, 0.2), (-0.2, -0.4), (-0.6, 0.15))
    return 1e4 * sum(1 - _step(np.hypot(x - a, y - b) - 0.1, 0.05) for a, b in spots)


def _outlines() -> tuple[Outline, ...]:
    return (
        Outline("circle", 1.0),
        Outline("wide", 0.75),
        Outline("narrow", 0.5),
        Outline("irregular", 0.85, ((2, 0.05, 1.0), (3, 0.09, 0.3), (5, 0.04, 2.0))),
        Outline("rim bridged", 0.9, ((3, 0.04, 1.1),), _rim_bridges),
        Outline("spots bridged", 0.8, ((2, 0.04, 0.2), (3, 0.05, 2.2)), _spot_bridges),
    )


def sheet_modes(
    outline: Outline, modes: int, refinements: int = SHEET_REFINEMENTS
) -> tuple[Array, Array, Any]:
    """λ² = ω a² √(ρh/D) of each mode (modes,), Morley coefficients (dofs, modes), basis."""
    import skfem
    from skfem.helpers import dd, ddot, trace

    mesh = skfem.MeshTri.init_circle(refinements)
    swell = outline.swell(np.arctan2(mesh.p[1], mesh.p[0]))
    mesh = skfem.MeshTri(mesh.p * swell * np.array([[1.0], [outline.aspect]]), mesh.t)
    basis = skfem.Basis(mesh, skfem.ElementTriMorley(), intorder=4)

    @skfem.BilinearForm
    def bending(u: Any, v: Any, w: Any) -> Any:
        a, b = dd(u), dd(v)
        return (1 - POISSON) * ddot(a, b) + POISSON * trace(a) * trace(b) + outline.bridges(*w.x) * u * v

    @skfem.BilinearForm
    def inertia(u: Any, v: Any, _w: Any) -> Any:
        return u * v

    rim = basis.get_dofs().all()
    eigen, shapes = _modes(basis, (bending, inertia), rim, modes)
    return eigen, shapes, basis


def _inside(outline: Outline, x: Array, y: Array) -> NDArray[np.bool_]:
    across = y / outline.aspect
    return np.hypot(x, across) < outline.swell(np.arctan2(across, x))


def _sheet_arrays(outline: Outline) -> dict[str, Array | NDArray[np.int16]]:
    """What is kept of a sheet, on a grid over the square of `reach` both ways."""
    lambda2, shapes, basis = sheet_modes(outline, SHEET_MODES_SUMMED)
    reach = 1.02 * max(np.abs(basis.mesh.p).max(), 1.0)
    side = np.linspace(-reach, reach, GRID)
    x, y = (a.ravel() for a in np.meshgrid(side, side, indexing="ij"))
    inside = _inside(outline, x, y) & _inside(outline, x * 1.005, y * 1.005)
    values = np.zeros((x.size, SHEET_MODES_SUMMED))
    values[inside] = basis.probes(np.stack([x[inside], y[inside]])) @ shapes
    kept = values[:, :SHEET_MODES]
    scale = np.abs(kept).max(axis=0)
    rest = (values[:, SHEET_MODES:] ** 2 / lambda2[SHEET_MODES:] ** 2).sum(axis=1)
    sub = (np.arange(7) - 3) / 7 * (side[1] - side[0])
    covered = np.mean([_inside(outline, x + dx, y + dy) for dx in sub for dy in sub], axis=0)
    square = (GRID, GRID)
    return {
        "lambda2": lambda2[:SHEET_MODES],
        "reach": np.array(reach),
        "scale": scale,
        "shapes": np.round(kept / scale * 32767).astype(np.int16).reshape(*square, -1),
        "rest": rest.astype(np.float32).reshape(square),
        "covered": covered.astype(np.float32).reshape(square),
        "outline": np.array([outline.aspect, *np.ravel(outline.waves)]),
    }


def _checks() -> dict[str, Array]:
    """κ of square plates whose values are published, of the same elements and supports."""
    edges = ("left", "right", "bottom", "top")
    cases: dict[str, tuple[tuple[str, str], ...]] = {
        "SSSS": tuple((e, "simple") for e in edges),
        "CCCC": tuple((e, "clamped") for e in edges),
        "FFFF": (),
    }
    return {
        f"check/{name}": panel_modes(Panel(name, 1.0, held=held), 12, cells=10)[0]
        for name, held in cases.items()
    }


def _sliding_check() -> dict[str, Array]:
    """κ of the plain panel whose sheets, a quarter and the rest, slide in a circle: as elements see it.

    What `plate_modes.py` makes of the sound panel's modes and a loose sheet's must agree.
    """
    left = 0.25**3 + 0.75**3
    plain = _panels()[0]
    soft = replace(plain, stiffness=lambda x, y: 1 - (1 - left) * (np.hypot(x - 0.43, y - 0.27) < 0.05))
    return {
        "check/sliding": panel_modes(soft, 100, cells=60)[0],
        "check/not sliding": panel_modes(plain, 100, cells=60)[0],
    }


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")


def main() -> None:
    arrays: dict[str, Any] = _checks() | _sliding_check()
    for name, kappa in list(arrays.items()):
        _say(f"{name} {np.round(kappa[:8], 3)}")
    for panel in _panels():
        kappa, shapes, basis = panel_modes(panel, PANEL_MODES)
        coarse, _, _ = panel_modes(panel, PANEL_MODES, cells=PANEL_CELLS * 2 // 3)
        degrees, coefficients, misfit = _kept(panel, shapes, basis)
        apart = np.abs(coarse / kappa - 1).max()
        _say(f"{panel.name}: κ to {kappa[-1]:.0f}, coarser mesh {apart:.1e}, misfit {misfit:.1e}")
        side = np.linspace(0, 1, 61)
        x, y = np.meshgrid(side, side * panel.aspect, indexing="ij")
        arrays |= {
            f"panel/{panel.name}/{key}": value
            for key, value in {
                "kappa": kappa,
                "degrees": degrees,
                "coefficients": coefficients,
                "thickness": panel.thickness(x, y).astype(np.float32),
                "properties": np.array([panel.aspect, *panel.ratios]),
            }.items()
        }
    for outline in _outlines():
        kept = _sheet_arrays(outline)
        _say(f"{outline.name}: λ² {np.round(kept['lambda2'][:4], 3)} to {kept['lambda2'][-1]:.0f}")
        arrays |= {f"sheet/{outline.name}/{key}": value for key, value in kept.items()}
    np.savez_compressed(OUT, **arrays)
    _say(f"{OUT.name}: {OUT.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
