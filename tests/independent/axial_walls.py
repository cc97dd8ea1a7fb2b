"""A sound wall, a tube, a taper or a flat panel, and loose sheets, by finite differences.

The wall is one axial problem for each order round the girth: plate bending plus the membrane's work after
Donnell (∇⁴φ = -Eh/R w''), with the curvature change w_ss + w/R² of a ring and the inertia of its tangential
motion, 1 + 1/n² (from memory: L. H. Donnell, Beams, Plates and Shells, 1976; Rayleigh, Theory of Sound).
Stiff ends are beds of springs; the wall changes slowly along; what differs round the girth splits each pair
of modes and turns it. Across a panel waves are cosines: its sides are guided.

A loose sheet over an ellipse, or what a resin bond leaves of it, is a clamped plate, kept as some modes; on a
tube it is curved, and stretches.
"""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.interpolate import CubicSpline, RectBivariateSpline
from scipy.linalg import eigh
from scipy.sparse.linalg import splu

from tests.independent.strikes import Damage

__all__ = [
    "Bent",
    "Sheet",
    "Wall",
    "WallModes",
    "drawn_wall",
    "meeting_places",
    "own_axes",
    "sheet_table",
    "wall_modes",
]

Array = NDArray[np.float64]

HIGHEST_HZ, MOST_MODES = 16e3, 320  # of the wall; beyond, it answers as an infinite plate
SHEET_HIGHEST_HZ, SHEET_MODES = 60e3, 20
FLAT_MODES = 60  # of which a curved sheet's are made
POISSON = 0.3
PLACES = ((0.0, 1), (0.45, 6), (0.78, 12))  # where sheet and ground can meet: radius, number
NODES = 31  # along a side of a sheet's square


@dataclass(frozen=True, slots=True)
class Wall:
    """The sound part. `girth_m` of both ends; of a panel, its width twice."""

    shape: str
    length_m: float
    girth_m: tuple[float, float]
    wall_m: float = 1.6e-3
    modulus_pa: float = 58e9
    density_kg_m3: float = 1550.0
    taper: float = 0.1  # of the wall, from end to end
    wave: float = 0.03  # a slow wave in it along the part
    ends_pa_m: tuple[float, float] = (3e10, 3e9)  # springs beneath both ends, a force per area and deflection
    ends_m: tuple[float, float] = (0.02, 0.015)
    split: float = 0.008  # of pairs of modes
    damping: float = 0.009
    loose_damping: float = 0.025
    radius_heard_m: float = 0.015
    far_share: float = 0.3  # of a mode's usual motion, heard from all over the part, wherever it is tapped
    seed: int = 0

    def radius_m(self, x_m: Array) -> Array:
        start, end = self.girth_m
        return (start + (end - start) * x_m / self.length_m) / (2 * np.pi)

    def thickness_m(self, x_m: Array) -> Array:
        along = x_m / self.length_m
        return self.wall_m * (
            1 + self.taper * (along - 0.5) + self.wave * np.sin(2 * np.pi * (1.7 * along + 0.1))
        )

    def bending_n_m(self, thickness_m: Array | float) -> Array:
        return np.asarray(self.modulus_pa * thickness_m**3 / 12 / (1 - POISSON**2))

    @property
    def impedance_n_s_m(self) -> float:
        """Of an infinite plate at a point, 8√(Dσ) (Cremer, from memory)."""
        return float(8 * np.sqrt(self.bending_n_m(self.wall_m) * self.density_kg_m3 * self.wall_m))


@dataclass(frozen=True, slots=True, eq=False)
class WallModes:
    """Mass-normalised modes of the wall: axial shapes (nodes, modes), waves round, and how each is turned."""

    wall: Wall
    x_m: Array
    axial: Array = field(repr=False)
    waves: Array
    turn_rad: Array
    omega_rad_s: Array

    def shapes(self, x_m: Array, s_m: Array) -> Array:
        """(points, modes)."""
        along = CubicSpline(self.x_m, self.axial)(np.clip(x_m, 0, self.wall.length_m))
        if self.wall.shape == "panel":
            around = np.pi * s_m / self.wall.girth_m[0]
        else:
            around = s_m / self.wall.radius_m(x_m)
        shapes: Array = along * np.cos(np.multiply.outer(around, self.waves) - self.turn_rad)
        return shapes


def _axial(wall: Wall, waves: int, x_m: Array) -> tuple[Array, Array]:
    """ω (modes,) and mass-normalised axial shapes (nodes, modes) of one order round the girth."""
    step, count = x_m[1] - x_m[0], x_m.size
    thick, is_tube = wall.thickness_m(x_m), wall.shape != "panel"
    area = step * np.r_[0.5, np.ones(count - 2), 0.5]
    girth = 2 * np.pi * wall.radius_m(x_m) if is_tube else np.full(count, wall.girth_m[0])
    area = area * girth * (0.5 if waves else 1)
    bend = np.zeros((count, count))
    bend[1:-1] = (np.eye(count)[:-2] - 2 * np.eye(count)[1:-1] + np.eye(count)[2:]) / step**2
    slope = np.diff(np.eye(count), axis=0) / step
    curl2 = (
        (waves / wall.radius_m(x_m)) ** 2
        if is_tube
        else np.full(count, (waves * np.pi / wall.girth_m[0]) ** 2)
    )
    curved2 = np.maximum(curl2 - 1 / wall.radius_m(x_m) ** 2, 0) if is_tube and waves else curl2
    both = bend - np.diag(curved2)
    rigid = wall.bending_n_m(thick) * area
    middle = ((rigid * curved2)[1:] + (rigid * curved2)[:-1]) / 2
    twist = bend.T * (rigid * curved2)
    stiffness = (both.T * rigid) @ both
    stiffness += (1 - POISSON) * (twist + twist.T + 2 * (slope.T * middle) @ slope)
    if is_tube:
        stretched = np.linalg.solve(bend - np.diag(curl2), bend) if waves else np.eye(count)
        membrane = wall.modulus_pa * thick / wall.radius_m(x_m) ** 2 * area
        stiffness += (stretched.T * membrane) @ stretched
    for end, (spring, reach) in enumerate(zip(wall.ends_pa_m, wall.ends_m, strict=True)):
        distance = x_m if end == 0 else wall.length_m - x_m
        stiffness += np.diag(spring * np.exp(-((distance / reach) ** 2)) * area)
    mass = wall.density_kg_m3 * thick * area * (1 + 1 / waves**2 if is_tube and waves else 1)
    values, vectors = eigh(stiffness / np.sqrt(np.outer(mass, mass)))
    return np.sqrt(np.maximum(values, 1.0)), vectors / np.sqrt(mass)[:, None]


@lru_cache(maxsize=4)
def wall_modes(wall: Wall) -> WallModes:
    """All modes below HIGHEST_HZ, the lowest MOST_MODES of them."""
    rng = np.random.default_rng([wall.seed, 31])
    x_m = np.linspace(0, wall.length_m, int(np.clip(wall.length_m / 4e-3, 60, 240)))
    kept: list[tuple[Array, Array, int, Array]] = []
    for waves in range(60):
        omega, shapes = _axial(wall, waves, x_m)
        low = omega < 2 * np.pi * HIGHEST_HZ
        if not low.any() and waves > 2:
            break
        turn = rng.uniform(0, 2 * np.pi, low.sum()) if wall.shape != "panel" else np.zeros(low.sum())
        is_pair = wall.shape != "panel" and waves > 0
        split = wall.split * rng.uniform(0, 0.5, low.sum()) * is_pair
        kept.append((omega[low] * (1 - split), shapes[:, low], waves, turn * is_pair))
        if is_pair:
            kept.append((omega[low] * (1 + split), shapes[:, low], waves, turn + np.pi / 2))
    omega = np.concatenate([k[0] for k in kept])
    first = np.argsort(omega, kind="stable")[:MOST_MODES]
    return WallModes(
        wall=wall,
        x_m=x_m,
        axial=np.hstack([k[1] for k in kept])[:, first],
        waves=np.concatenate([np.full(k[0].size, k[2]) for k in kept])[first],
        turn_rad=np.concatenate([k[3] for k in kept])[first],
        omega_rad_s=omega[first],
    )


@dataclass(frozen=True, slots=True)
class Bent:
    """How a sheet is curved: 12 κ² a⁴ / h², and the angle from its first axis to the straight direction."""

    times: float = 0.0
    angle_rad: float = 0.0


def sheet_table(
    aspect: float, cut: float = -1.0, cut_rad: float = 0.0, bent: Bent = Bent()
) -> tuple[Array, Array, Array]:
    """Clamped plate over the ellipse of radii 1 and `aspect`, without what is beyond the chord at `cut`.

    Returns λ² = ω a² √(ρh/D) (modes,), shapes (NODES, NODES, modes) with ∫χ² dA = 1, and the nodes' side.
    """
    lambda2, shapes, side = _flat(aspect, cut, cut_rad)
    if bent.times:
        stretch = _membrane(aspect, cut, cut_rad, bent.angle_rad)
        values, vectors = eigh(np.diag(lambda2**2) + bent.times * stretch)
        lambda2, shapes = np.sqrt(values), shapes @ vectors
    return lambda2[:SHEET_MODES], shapes[:, :, :SHEET_MODES], side


def _inside(cut: float, cut_rad: float) -> tuple[NDArray[np.bool_], Array]:
    """Which nodes (NODES, NODES) move, and the nodes' side.

    Nodes are in or out: drawn in by 0.3 of a cell, the circle has its closed form, λ² = 10.216, to 0.3 %.
    """
    side = np.linspace(-1.08, 1.08, NODES)
    xi, eta = np.meshgrid(side, side, indexing="ij")
    inside = np.hypot(xi, eta) < 1 - 0.3 * (side[1] - side[0])
    return inside & (xi * np.cos(cut_rad) + eta * np.sin(cut_rad) > cut), side


@lru_cache(maxsize=32)
def _flat(aspect: float, cut: float, cut_rad: float) -> tuple[Array, Array, Array]:
    """The lowest modes of the flat sheet, more than are kept: λ² (modes,), shapes, side."""
    inside, side = _inside(cut, cut_rad)
    step = side[1] - side[0]
    line = (np.eye(NODES, k=1) - 2 * np.eye(NODES) + np.eye(NODES, k=-1)) / step**2
    laplace = np.kron(line, np.eye(NODES)) + np.kron(np.eye(NODES), line) / aspect**2
    # On the first nodes outside deflection is zero and the curvature that of a clamped edge: half a cell of
    # twice the curvature, which counts as two cells.
    used = laplace[:, inside.ravel()] * np.sqrt(np.where(inside.ravel(), 1.0, 2.0))[:, None]
    count = min(FLAT_MODES, used.shape[1])
    values, vectors = eigh(used.T @ used, subset_by_index=(0, count - 1))
    shapes = np.zeros((NODES**2, count))
    shapes[inside.ravel()] = vectors / np.sqrt(step**2 * aspect)
    return np.sqrt(values), shapes.reshape(NODES, NODES, -1), side


@lru_cache(maxsize=32)
def _membrane(aspect: float, cut: float, cut_rad: float, angle_rad: float) -> Array:
    """Work of stretching a shallow cylinder of unit curvature, its rim held in its plane, (modes, modes).

    Of the flat sheet's modes; strains in the middle of each cell. In its plane it moves without inertia.
    """
    _, shapes, side = _flat(aspect, cut, cut_rad)
    step, inside = side[1] - side[0], _inside(cut, cut_rad)[0].ravel()
    difference = sparse.csr_array(np.diff(np.eye(NODES), axis=0) / step)
    middle = sparse.csr_array((np.eye(NODES)[1:] + np.eye(NODES)[:-1]) / 2)
    along = sparse.csr_array(sparse.kron(difference, middle))[:, inside]
    across = sparse.csr_array(sparse.kron(middle, difference))[:, inside] / aspect
    sag = sparse.kron(middle, middle, format="csr") @ shapes.reshape(NODES**2, -1)
    sin, cos = np.sin(angle_rad), np.cos(angle_rad)
    plane = sparse.block_array([[along, None], [None, across], [across, along]], format="csr")
    out = np.vstack([sin**2 * sag, cos**2 * sag, -2 * sin * cos * sag])
    elastic = np.array([[1, POISSON, 0], [POISSON, 1, 0], [0, 0, (1 - POISSON) / 2]])
    held = sparse.kron(elastic, sparse.eye_array(len(sag)), format="csr")
    free = plane.T @ held @ plane
    free = free + 1e-9 * free.trace() / free.shape[0] * sparse.eye_array(free.shape[0])
    pulled = plane.T @ (held @ out)
    stretch: Array = out.T @ (held @ out) - pulled.T @ splu(free.tocsc()).solve(pulled)
    return stretch * step**2 * aspect


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A clamped sheet in place; radii along its own axes."""

    damage: Damage
    radii_m: tuple[float, float]
    thick_m: float
    most_modes: int
    cut: tuple[float, float] = (-1.0, 0.0)
    curvature_1_m: float = 0.0  # of the wall there, round the girth

    @property
    def table(self) -> tuple[Array, Array, Array]:
        times = 12 * self.curvature_1_m**2 * self.radii_m[0] ** 4 / self.thick_m**2
        bent = Bent(times, -self.damage.angle_rad if times else 0.0)
        return sheet_table(self.radii_m[1] / self.radii_m[0], *self.cut, bent)

    def every_omega_rad_s(self, wall: Wall) -> Array:
        speed = np.sqrt(wall.bending_n_m(self.thick_m) / (wall.density_kg_m3 * self.thick_m))
        omega: Array = self.table[0][: self.most_modes] * speed / self.radii_m[0] ** 2
        return omega

    def omega_rad_s(self, wall: Wall) -> Array:
        """Of the modes that move by themselves; a small thick sheet may have none."""
        omega = self.every_omega_rad_s(wall)
        return omega[omega < 2 * np.pi * SHEET_HIGHEST_HZ]

    def rest_hz(self, wall: Wall) -> float:
        """Where modes left out begin: without any mode kept, where their spring is that of a clamped disc.

        16πD/a² is Z ω π/2 of an infinite sheet, Z = 8√(Dσ), at 4 of √(D/σ)/a²; the first mode is at 10.2.
        """
        omega = self.omega_rad_s(wall)
        first = omega[-1] if omega.size else self.every_omega_rad_s(wall)[0] * 4 / 10.2158
        return float(first / (2 * np.pi))

    def shapes(self, wall: Wall, own: Array, count: int | None = None) -> Array:
        """Mass-normalised shapes of the modes kept, or of so many, (points, modes).

        Points (points, 2) are in the sheet's own axes, of its radii.
        """
        count = self.omega_rad_s(wall).size if count is None else count
        _, values, side = self.table
        scale = np.sqrt(wall.density_kg_m3 * self.thick_m) * self.radii_m[0]
        inside = (own**2).sum(axis=1) < 1.1
        found = np.zeros((len(own), count))
        for k in range(count):
            found[inside, k] = RectBivariateSpline(side, side, values[:, :, k]).ev(*own[inside].T)
        return found / scale


def _turned(damage: Damage, dx: Array, ds: Array) -> Array:
    cos, sin = np.cos(damage.angle_rad), np.sin(damage.angle_rad)
    return np.stack([dx * cos + ds * sin, -dx * sin + ds * cos], axis=-1)


def own_axes(wall: Wall, sheet: Sheet, x_m: Array, s_m: Array) -> Array:
    """Points in a sheet's own axes and radii, (points, 2); round a tube the shorter way."""
    ds = s_m - sheet.damage.s_mm / 1e3
    if wall.shape != "panel":
        girth = 2 * np.pi * wall.radius_m(x_m)
        ds = (ds + girth / 2) % girth - girth / 2
    return _turned(sheet.damage, x_m - sheet.damage.x_mm / 1e3, ds) / np.array(sheet.radii_m)


def meeting_places(cut: tuple[float, float]) -> Array:
    """Where a sheet can meet the ground, (places, 2) in its own radii, without what is bonded."""
    points = np.array(
        [
            (r * np.cos(a), r * np.sin(a))
            for r, count in PLACES
            for a in (np.arange(count) + 0.5) * 2 * np.pi / count
        ]
    )
    return points[points @ np.array([np.cos(cut[1]), np.sin(cut[1])]) > cut[0] + 0.1]


def drawn_wall(rng: np.random.Generator, shape: str, length_m: float, girth_m: tuple[float, float]) -> Wall:
    """A wall as one may meet it."""
    return Wall(
        shape=shape,
        length_m=length_m,
        girth_m=girth_m,
        wall_m=rng.uniform(1.2e-3, 3e-3),
        modulus_pa=rng.uniform(45e9, 75e9),
        density_kg_m3=rng.uniform(1500, 1600),
        taper=rng.uniform(-0.2, 0.2),
        wave=rng.uniform(0.01, 0.05),
        ends_pa_m=(10 ** rng.uniform(9.5, 11), 10 ** rng.uniform(8.5, 10.5)),
        ends_m=(rng.uniform(0.01, 0.025), rng.uniform(0.008, 0.02)),
        split=rng.uniform(0.002, 0.015),
        damping=rng.uniform(0.006, 0.013),
        loose_damping=rng.uniform(0.015, 0.035),
        radius_heard_m=rng.uniform(0.01, 0.022),
        far_share=rng.uniform(0.15, 0.4),
        seed=int(rng.integers(2**31)),
    )
