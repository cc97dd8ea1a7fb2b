"""A thin shell of revolution with one delaminated disc or several, as a Rayleigh-Ritz model.

The part is a tube or cone: Fourier series round the girth, cubic B-splines along the axis, Sanders' thin-
shell strains (from memory: J. L. Sanders, NASA TR R-24, 1959). A lap and a smooth unevenness of the wall
couple the Fourier orders. A delamination is a disc in which the wall consists of two separate sub-
laminates, each free to move relative to the wall's own motion as a clamped shallow shell (polynomials that
vanish doubly at the rim). Everything is one set of coupled modes. Nothing here is shared with the simulator
that tapscan itself carries.

Coordinates: x along the wall, s round the girth, w outward. SI units inside, so names carry _m.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import eigh

Array = NDArray[np.float64]

__all__ = ["Defect", "Disc", "Modes", "Tube", "coupled_modes", "disc_modes", "tube_modes"]


@dataclass(frozen=True, slots=True)
class Defect:
    """An elliptical delamination; `radius_mm` along x, `radius_s_mm` round the girth (the same when None)."""

    x_mm: float
    s_mm: float
    radius_mm: float
    depth_mm: float
    radius_s_mm: float | None = None

    @property
    def radii_mm(self) -> tuple[float, float]:
        return self.radius_mm, self.radius_s_mm if self.radius_s_mm is not None else self.radius_mm


@dataclass(frozen=True, slots=True)
class Tube:
    """What the part is made of and how it is held."""

    length_m: float = 0.4
    girth_m: tuple[float, float] = (0.12, 0.12)  # at the two ends
    wall_m: float = 1.6e-3
    modulus_pa: float = 60e9
    modulus_ratio: float = 1.0  # along x over round the girth
    poisson: float = 0.3
    density_kg_m3: float = 1550.0
    end_thickening: tuple[float, float] = (0.8, 0.5)  # extra wall at the two ends, of the wall
    end_length_m: tuple[float, float] = (0.025, 0.018)
    end_spring_pa: tuple[float, float] = (3e9, 3e8)  # per metre of girth: a junction, a held end
    lap_thickening: float = 0.2  # a strip of extra plies along the part
    lap_angle_rad: float = 1.0
    lap_twist_rad_m: float = 0.8
    unevenness: float = 0.02  # standard deviation of the smooth part of the wall's unevenness
    curved_discs: bool = True  # sub-laminates follow the girth's curvature; False: they act as flat plates
    seed: int = 0

    def radius_m(self, x_m: Array) -> Array:
        start, end = self.girth_m
        return (start + (end - start) * x_m / self.length_m) / (2 * np.pi)

    @property
    def slope(self) -> float:
        return (self.girth_m[1] - self.girth_m[0]) / (2 * np.pi * self.length_m)

    def wall_at_m(self, x_m: Array) -> Array:
        """Wall thickness without lap and unevenness: thicker towards both ends."""
        bumps = (
            share * np.exp(-((distance / length) ** 2))
            for share, length, distance in zip(
                self.end_thickening, self.end_length_m, (x_m, self.length_m - x_m), strict=True
            )
        )
        return self.wall_m * (1 + sum(bumps))

    def stiffness_pa(self) -> Array:
        """Plane-stress stiffness (3, 3) for (along x, round the girth, shear)."""
        along = self.modulus_pa * np.sqrt(self.modulus_ratio)
        around = self.modulus_pa / np.sqrt(self.modulus_ratio)
        plane = 1 / (1 - self.poisson**2)
        shear = self.modulus_pa / (2 * (1 + self.poisson))
        cross = self.poisson * self.modulus_pa * plane
        return np.array([[along * plane, cross, 0], [cross, around * plane, 0], [0, 0, shear]])

    def uneven(self, x_m: Array, angle_rad: Array) -> Array:
        """Relative extra wall by the lap and by a few random smooth waves."""
        rng = np.random.default_rng([self.seed, 77])
        lap_angle = self.lap_angle_rad + self.lap_twist_rad_m * x_m
        width_rad = 0.35
        lap = self.lap_thickening * np.exp((np.cos(angle_rad - lap_angle) - 1) / width_rad**2)
        waves = np.zeros_like(lap)
        for around, along in ((1, 0), (1, 1), (2, 1), (2, 2), (3, 2), (0, 2), (3, 4)):
            phase = rng.uniform(0, 2 * np.pi, 2)
            size = rng.normal() * self.unevenness / 1.9
            waves += (
                size
                * 2
                * np.cos(around * angle_rad + phase[0])
                * np.cos(np.pi * along * x_m / self.length_m + phase[1])
            )
        return lap + waves


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """Modes of the even tube, mass-normalised. Coefficients have shape (splines, modes)."""

    tube: Tube
    knots: Array
    order: NDArray[np.int64]  # round the girth
    phase_rad: Array
    u: Array
    v: Array
    w: Array
    omega_rad_s: Array
    rest_x_m: Array = field(repr=False)  # where the compliance of the modes left out is known
    rest_m_n: Array = field(repr=False)

    def rest_compliance_m_n(self, x_m: Array) -> Array:
        return np.interp(x_m, self.rest_x_m, self.rest_m_n)


def _splines(knots: Array, x_m: Array) -> tuple[Array, Array, Array]:
    """Cubic B-splines and their first two slopes at x, each (points, splines)."""
    whole = BSpline(knots, np.eye(knots.size - 4), 3)
    return whole(x_m), whole.derivative(1)(x_m), whole.derivative(2)(x_m)


def _strain_profiles(
    n: int | Array, profile: tuple[Array, ...], radius_m: Array, slope: float
) -> tuple[Array, ...]:
    """Sanders' six strains of one Fourier order: the 3rd and 6th go with sin nθ, the others with cos nθ."""
    u, u1, v, v1, w, w1, w2 = profile
    lean = np.sqrt(1 - slope**2)
    r = radius_m
    return (
        u1,
        (n * v + slope * u + lean * w) / r,
        v1 - n * u / r - slope * v / r,
        -w2,
        n**2 * w / r**2 + lean * n * v / r**2 - slope * w1 / r,
        2 * n * w1 / r
        - 2 * n * slope * w / r**2
        + 1.5 * lean * (v1 / r - slope * v / r**2)
        + 0.5 * lean * n * u / r**2,
    )


def _order_matrices(tube: Tube, knots: Array, n: int) -> tuple[Array, Array]:
    """Stiffness and mass of one Fourier order over (u, v, w) splines; order 0 leaves torsion out."""
    nodes, weights = legendre.leggauss(5)
    edges = np.unique(knots)
    half = np.diff(edges) / 2
    x = (edges[:-1] + half)[:, None] + half[:, None] * nodes
    weight = (half[:, None] * weights).ravel()
    x = x.ravel()
    b0, b1, b2 = _splines(knots, x)
    zero = np.zeros_like(b0)
    blocks = (
        (b0, b1, zero, zero, zero, zero, zero),
        (zero, zero, b0, b1, zero, zero, zero),
        (zero,) * 4 + (b0, b1, b2),
    )
    radius = tube.radius_m(x)
    strains = [_strain_profiles(n, block, radius[:, None], tube.slope) for block in blocks]
    rows = np.stack([np.hstack([strain[k] for strain in strains]) for k in range(6)])
    wall = tube.wall_at_m(x)
    ring = weight * radius * (2 * np.pi if n == 0 else np.pi)
    q = tube.stiffness_pa()
    stiffness = sum(
        q[i, j] * (rows[3 * part + i].T * (ring * wall * (wall**2 / 12) ** part)) @ rows[3 * part + j]
        for part in (0, 1)
        for i in range(3)
        for j in range(3)
        if q[i, j]
    )
    mass_one = (b0.T * (ring * wall * tube.density_kg_m3)) @ b0
    mass = np.kron(np.eye(3), mass_one)
    for x_end, spring, turn in ((0.0, tube.end_spring_pa[0], 0), (tube.length_m, tube.end_spring_pa[1], -1)):
        e0, e1, _ = (b[0] for b in _splines(knots, np.array([x_end])))
        girth = tube.girth_m[turn] * (1 if n == 0 else 0.5)
        stiffness += np.kron(np.eye(3), girth * spring * np.outer(e0, e0))
        last = slice(2 * e0.size, 3 * e0.size)
        stiffness[last, last] += girth * spring * 1e-5 * np.outer(e1, e1)
    return stiffness, mass


@lru_cache(maxsize=2)  # a part is often struck again, or sound and damaged
def tube_modes(tube: Tube, *, highest_hz: float = 36e3, splines: int = 64, orders: int = 20) -> Modes:
    """Solve the even tube; modes above `highest_hz` are kept as a static compliance under a point load."""
    knots = np.concatenate(
        [np.zeros(3), np.linspace(0, tube.length_m, splines - 2), np.full(3, tube.length_m)]
    )
    rest_x = np.linspace(0, tube.length_m, 201)
    basis_rest = _splines(knots, rest_x)[0]
    rest = np.zeros(rest_x.size)
    kept: list[tuple[int, float, Array, Array]] = []
    for n in range(orders + 1):
        stiffness, mass = _order_matrices(tube, knots, n)
        used = np.r_[0:splines, 2 * splines : 3 * splines] if n == 0 else np.arange(3 * splines)
        values, vectors = eigh(stiffness[np.ix_(used, used)], mass[np.ix_(used, used)])
        omega = np.sqrt(np.maximum(values, 0))
        low = omega < 2 * np.pi * highest_hz
        shapes = np.zeros((3 * splines, used.size))
        shapes[used] = vectors
        rest += ((basis_rest @ shapes[2 * splines :, ~low]) ** 2 / values[~low]).sum(axis=1)
        kept += [(n, phase, omega[low], shapes[:, low]) for phase in ((0.0,) if n == 0 else (0.0, np.pi / 2))]
    shapes = np.hstack([item[3] for item in kept])
    return Modes(
        tube=tube,
        knots=knots,
        order=np.concatenate([np.full(item[2].size, item[0]) for item in kept]),
        phase_rad=np.concatenate([np.full(item[2].size, item[1]) for item in kept]),
        u=shapes[:splines],
        v=shapes[splines : 2 * splines],
        w=shapes[2 * splines :],
        omega_rad_s=np.concatenate([item[2] for item in kept]),
        rest_x_m=rest_x,
        rest_m_n=rest,
    )


def shape_w(modes: Modes, x_m: Array, angle_rad: Array) -> Array:
    """Outward shape of every mode at points, (points, modes)."""
    basis = _splines(modes.knots, x_m)[0]
    return (basis @ modes.w) * np.cos(angle_rad[:, None] * modes.order - modes.phase_rad)


def _fields(modes: Modes, x_m: Array, angle_rad: Array) -> tuple[Array, Array]:
    """Displacements (3, points, modes) and strains (6, points, modes) of every mode."""
    b0, b1, b2 = _splines(modes.knots, x_m)
    profile = (
        b0 @ modes.u,
        b1 @ modes.u,
        b0 @ modes.v,
        b1 @ modes.v,
        b0 @ modes.w,
        b1 @ modes.w,
        b2 @ modes.w,
    )
    argument = angle_rad[:, None] * modes.order - modes.phase_rad
    cos, sin = np.cos(argument), np.sin(argument)
    tube = modes.tube
    strains = _strain_profiles(modes.order, profile, tube.radius_m(x_m)[:, None], tube.slope)
    turned = np.stack([strain * (sin if k in (2, 5) else cos) for k, strain in enumerate(strains)])
    return np.stack([profile[0] * cos, profile[2] * sin, profile[4] * cos]), turned


@dataclass(frozen=True, slots=True, eq=False)
class Disc:
    """Clamped modes of one sub-laminate over an ellipse, mass-normalised, at its quadrature points.

    `shapes` (3, points, modes) and `strains` (6, points, modes) match the shell's; `coefficients`
    (polynomials, modes) give w anywhere inside.
    """

    radii_m: tuple[float, float]
    degree: int
    coefficients: Array
    omega_rad_s: Array
    rest_coefficients: Array
    rest_omega_rad_s: Array
    x_m: Array
    s_m: Array
    sheet_m: Array
    weight_m2: Array
    shapes: Array
    strains: Array

    def w(self, x_m: Array, s_m: Array) -> tuple[Array, Array]:
        """Outward shapes (points, modes), compliance (points,) of modes left out; zero outside the rim."""
        xi, eta = x_m / self.radii_m[0], s_m / self.radii_m[1]
        inside = xi**2 + eta**2 < 1
        rim = np.where(inside, (1 - xi**2 - eta**2) ** 2, 0)
        safe_xi, safe_eta = np.where(inside, xi, 0), np.where(inside, eta, 0)
        basis = rim[:, None] * _products(safe_xi, safe_eta, self.degree)[0]
        rest = (basis @ self.rest_coefficients) ** 2 @ self.rest_omega_rad_s**-2.0
        return basis @ self.coefficients, rest


def _products(xi: Array, eta: Array, degree: int) -> tuple[Array, ...]:
    """Legendre products P_i(ξ)P_j(η), i + j ≤ degree, and derivatives ξ, η, ξξ, ηη, ξη."""
    i, j = np.array([(a, b) for a in range(degree + 1) for b in range(degree + 1 - a)]).T
    eye = np.eye(degree + 1)
    along = [
        legendre.legval(xi, legendre.legder(eye, k)).T if k else legendre.legval(xi, eye).T for k in range(3)
    ]
    across = [
        legendre.legval(eta, legendre.legder(eye, k)).T if k else legendre.legval(eta, eye).T
        for k in range(3)
    ]
    pairs = ((0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1))
    return tuple(along[a][:, i] * across[b][:, j] for a, b in pairs)


def _disc_rows(
    xi: Array, eta: Array, degree: int, radii_m: tuple[float, float], curvature_1_m: float
) -> tuple[Array, Array]:
    """Shapes (3, points, functions) and shallow-shell strains (6, points, functions) of polynomials."""
    p, px, py, pxx, pyy, pxy = _products(xi, eta, degree)
    a, b = radii_m
    x, y = xi[:, None], eta[:, None]
    g = 1 - x**2 - y**2
    flat, flat_x, flat_y = g * p, (g * px - 2 * x * p) / a, (g * py - 2 * y * p) / b
    w = g**2 * p
    w_xx = (g**2 * pxx - 8 * g * x * px + (8 * x**2 - 4 * g) * p) / a**2
    w_yy = (g**2 * pyy - 8 * g * y * py + (8 * y**2 - 4 * g) * p) / b**2
    w_xy = (g**2 * pxy - 4 * g * (y * px + x * py) + 8 * x * y * p) / (a * b)
    zero = np.zeros_like(p)
    shapes = np.stack([np.hstack(row) for row in ((flat, zero, zero), (zero, flat, zero), (zero, zero, w))])
    rows = (
        (flat_x, zero, zero),
        (zero, flat_y, curvature_1_m * w),
        (flat_y, flat_x, zero),
        (zero, zero, -w_xx),
        (zero, zero, -w_yy),
        (zero, zero, -2 * w_xy),
    )
    return shapes, np.stack([np.hstack(row) for row in rows])


def disc_modes(
    tube: Tube,
    radii_m: tuple[float, float],
    sheet_m: float | Callable[[Array, Array], Array],
    curvature_1_m: float,
    highest_hz: float,
) -> Disc:
    """Clamped modes of a sub-laminate below `highest_hz`; the others are a compliance.

    `sheet_m` is its thickness, or a function that gives it at x, s from the centre.
    """
    mean_m = float(np.mean(sheet_m(np.zeros(1), np.zeros(1)))) if callable(sheet_m) else sheet_m
    q = tube.stiffness_pa()
    bending = q[0, 0] * mean_m**3 / 12
    mass_area = tube.density_kg_m3 * mean_m
    waves = (mass_area * (2 * np.pi * highest_hz) ** 2 / bending) ** 0.25 * max(radii_m)
    degree = int(np.clip(np.ceil(0.95 * waves) + 5, 8, 20))
    nodes, weights = legendre.leggauss(degree + 6)
    r = (nodes + 1) / 2
    angle = np.arange(3 * degree + 12) * 2 * np.pi / (3 * degree + 12)
    xi, eta = (r[:, None] * np.cos(angle)).ravel(), (r[:, None] * np.sin(angle)).ravel()
    weight = np.repeat(weights / 2 * r, angle.size) * (2 * np.pi / angle.size) * radii_m[0] * radii_m[1]
    at_x, at_s = xi * radii_m[0], eta * radii_m[1]
    sheet = np.broadcast_to(sheet_m(at_x, at_s) if callable(sheet_m) else sheet_m, xi.shape)
    shapes, strains = _disc_rows(xi, eta, degree, radii_m, curvature_1_m)
    count = shapes.shape[2]
    stiffness = np.zeros((count, count))
    for part, moment in ((0, sheet), (1, sheet**3 / 12)):
        rows = strains[3 * part : 3 * part + 3]
        stress = np.einsum("ij,jpf->ipf", q, rows) * (weight * moment)[:, None]
        stiffness += np.tensordot(rows, stress, ((0, 1), (0, 1)))
    mass_rows = shapes * (tube.density_kg_m3 * weight * sheet)[:, None]
    mass = np.tensordot(shapes, mass_rows, ((0, 1), (0, 1)))
    values, vectors = eigh((stiffness + stiffness.T) / 2, mass)
    omega = np.sqrt(values)
    low = omega < 2 * np.pi * highest_hz
    w_part = vectors[2 * count // 3 :]
    return Disc(
        radii_m=radii_m,
        degree=degree,
        coefficients=w_part[:, low],
        omega_rad_s=omega[low],
        rest_coefficients=w_part[:, ~low],
        rest_omega_rad_s=omega[~low],
        x_m=at_x,
        s_m=at_s,
        sheet_m=sheet,
        weight_m2=weight,
        shapes=shapes @ vectors[:, low],
        strains=strains @ vectors[:, low],
    )


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """The part as it is, damage included: coupled modes, mass-normalised.

    `vectors` (even-tube modes then disc modes, coupled modes); `loose` (coupled modes,) how much of a mode's
    motion is that of sub-laminates against the wall, 0 to 1.
    """

    modes: Modes
    discs: tuple[tuple[Defect, Disc, slice], ...]  # the upper sub-laminates, the only ones a tapper can reach
    vectors: Array
    omega_rad_s: Array
    loose: Array

    def point_shapes(self, x_m: Array, s_m: Array) -> tuple[Array, Array]:
        """Outward shapes (points, coupled modes) and compliance of all that was left out (points,)."""
        radius = self.modes.tube.radius_m(x_m)
        raw = np.zeros((x_m.size, self.vectors.shape[0]))
        wall = shape_w(self.modes, x_m, s_m / radius)
        raw[:, : wall.shape[1]] = wall
        rest = self.modes.rest_compliance_m_n(x_m)
        for defect, disc, columns in self.discs:
            girth = 2 * np.pi * radius
            ds = (s_m - defect.s_mm / 1e3 + girth / 2) % girth - girth / 2
            local, local_rest = disc.w(x_m - defect.x_mm / 1e3, ds)
            raw[:, columns] = local
            rest = rest + local_rest
        return raw @ self.vectors, rest


def _unevenness(modes: Modes) -> tuple[Array, Array]:
    """What lap and unevenness add to the stiffness and mass of the even tube's modes."""
    tube = modes.tube
    along, around = 112, 44
    nodes, weights = legendre.leggauss(along)
    x, angle = np.meshgrid(
        (nodes + 1) / 2 * tube.length_m, np.arange(around) * 2 * np.pi / around, indexing="ij"
    )
    weight = np.repeat(weights / 2 * tube.length_m, around) * tube.radius_m(x.ravel()) * 2 * np.pi / around
    x, angle = x.ravel(), angle.ravel()
    extra, wall = tube.uneven(x, angle), tube.wall_at_m(x)
    shapes, strains = _fields(modes, x, angle)
    q = tube.stiffness_pa()
    stiffness = np.zeros((modes.order.size,) * 2)
    for part, gain in ((0, wall * extra), (1, wall**3 / 12 * ((1 + extra) ** 3 - 1))):
        for i, j in np.argwhere(q):
            stiffness += (strains[3 * part + i] * (q[i, j] * weight * gain)[:, None]).T @ strains[
                3 * part + j
            ]
    mass = sum((shape * (tube.density_kg_m3 * weight * wall * extra)[:, None]).T @ shape for shape in shapes)
    return stiffness, mass


def _couple(modes: Modes, disc: Disc, defect: Defect, is_upper: bool) -> tuple[Array, Array]:
    """Stiffness and mass between the wall's modes and one sub-laminate's, (wall modes, disc modes)."""
    tube = modes.tube
    depth_m = defect.depth_mm / 1e3
    shapes, strains = _fields(modes, *_on_tube(tube, defect, disc.x_m, disc.s_m))
    q = tube.stiffness_pa()
    # Distance of the sub-laminate's middle from the wall's, outward: half of what is on its other side.
    offset_m = (
        _wall_m(tube, defect, disc.x_m, disc.s_m) / 2 - depth_m / 2 if is_upper else np.array(-depth_m / 2)
    )
    stretched = strains[:3] + offset_m[..., None] * strains[3:]
    stiffness = np.zeros((modes.order.size, disc.omega_rad_s.size))
    for i, j in np.argwhere(q):
        area = (q[i, j] * disc.sheet_m * disc.weight_m2)[:, None]
        stiffness += (stretched[i] * area).T @ disc.strains[j]
        stiffness += (strains[3 + i] * (area * disc.sheet_m[:, None] ** 2 / 12)).T @ disc.strains[3 + j]
    weight = (tube.density_kg_m3 * disc.sheet_m * disc.weight_m2)[:, None]
    mass = sum((shapes[k] * weight).T @ disc.shapes[k] for k in range(3))
    return stiffness, mass


def _on_tube(tube: Tube, defect: Defect, x_m: Array, s_m: Array) -> tuple[Array, Array]:
    """Place along the tube and angle of points given from a defect's centre."""
    centre_m = np.array([defect.x_mm / 1e3])
    return np.clip(centre_m + x_m, 0, tube.length_m), (defect.s_mm / 1e3 + s_m) / tube.radius_m(centre_m)


def _wall_m(tube: Tube, defect: Defect, x_m: Array, s_m: Array) -> Array:
    """Wall as it is there, lap and unevenness included."""
    along, angle = _on_tube(tube, defect, x_m, s_m)
    return tube.wall_at_m(along) * (1 + tube.uneven(along, angle))


def _sheets(tube: Tube, defect: Defect, highest_hz: float) -> tuple[Disc, Disc]:
    """The two sub-laminates: the upper one as thick as the defect is deep, the lower one what is left."""
    depth_m = defect.depth_mm / 1e3
    radii_m = (defect.radii_mm[0] / 1e3, defect.radii_mm[1] / 1e3)
    radius_m = float(tube.radius_m(np.array(defect.x_mm / 1e3)))
    curvature = np.sqrt(1 - tube.slope**2) / radius_m if tube.curved_discs else 0.0

    def rest(x_m: Array, s_m: Array) -> Array:
        return _wall_m(tube, defect, x_m, s_m) - depth_m

    return (
        disc_modes(tube, radii_m, depth_m, curvature, highest_hz),
        disc_modes(tube, radii_m, rest, curvature, highest_hz),
    )


def coupled_modes(modes: Modes, defects: tuple[Defect, ...] = (), *, highest_disc_hz: float = 36e3) -> Part:
    """Put lap, unevenness and delaminations into the even tube and solve the whole."""
    tube = modes.tube
    n_wall = modes.order.size
    pairs = [
        (d, disc, is_upper)
        for d in defects
        for disc, is_upper in zip(_sheets(tube, d, highest_disc_hz), (True, False), strict=True)
    ]
    total = n_wall + sum(disc.omega_rad_s.size for _, disc, _ in pairs)
    stiffness, mass = np.zeros((total, total)), np.eye(total)
    added_stiffness, added_mass = _unevenness(modes)
    stiffness[:n_wall, :n_wall] = np.diag(modes.omega_rad_s**2) + added_stiffness
    mass[:n_wall, :n_wall] += added_mass
    discs, start = [], n_wall
    for defect, disc, is_upper in pairs:
        columns = slice(start, start + disc.omega_rad_s.size)
        start = columns.stop
        stiffness[columns, columns] = np.diag(disc.omega_rad_s**2)
        cross_stiffness, cross_mass = _couple(modes, disc, defect, is_upper)
        stiffness[:n_wall, columns], stiffness[columns, :n_wall] = cross_stiffness, cross_stiffness.T
        mass[:n_wall, columns], mass[columns, :n_wall] = cross_mass, cross_mass.T
        if is_upper:
            discs.append((defect, disc, columns))
    values, vectors = eigh(stiffness, mass)
    if values[0] < -1.0:
        msg = f"a mode with ω² = {values[0]:.3g}: wall and sub-laminates do not add up"
        raise ValueError(msg)
    loose = np.clip((vectors[n_wall:] ** 2).sum(axis=0), 0, 1)
    return Part(modes, tuple(discs), vectors, np.sqrt(np.maximum(values, 0)), loose)
