"""A wall as a lattice of masses and bending springs, its loose sheets layers of their own.

Nodes some millimetres apart carry the wall's mass. Their bending springs are the square of the discrete
Laplacian with the stiffness of each place, so that sleeves, ply drops, inserts and doublers need no theory of
their own; a tube is stiffened by its curvature (Donnell's equation, from memory: E h / R² (∂x² ∇⁻²)²). Where
the wall is delaminated every node has a second mass above it, tied to the wall round it by the same springs.

Tapper and wall meet step by step: the wall's motion under the tapper is the convolution of the force with the
response of that very place to an impulse, so that soft places are struck for longer. What the modes leave out
is a spring in series, 1/(4π √(Dσ) ω) beyond ω for an infinite plate.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Array, Damage, Strikes
from tests.independent.surfaces import Surface, elliptic

__all__ = ["LATTICE_KINDS", "Lattice", "Wall", "draw"]

LATTICE_KINDS = ("open", "bridged", "gritty", "sliding", "stack")
LOWEST_HZ, HIGHEST_HZ = 60.0, 22_000.0
# Damping ratio of a loose sheet by itself, from least to most.
LOSS = {"open": (0.003, 0.02), "stack": (0.005, 0.03), "bridged": (0.01, 0.05), "gritty": (0.06, 0.2)}
MOST_NODES = 2200
POISSON = 0.3
STEP_S, STEPS = 5e-6, 400  # the contact is followed for two milliseconds
FFT = 8192
HEARD_MM = 20.0  # the microphone hears the mean over so much about the tapper
CHUNK = 256


@dataclass(frozen=True, slots=True)
class Wall:
    """What is drawn for a part; `stiffer`, `heavier`: places (x from, to; share of s from, to; factor)."""

    thickness_m: float
    modulus_pa: float
    density_kg_m3: float
    skew: float  # of bending stiffness along over across
    damping: float
    far: float  # share of the sound that comes from all over the part
    stiffer: tuple[tuple[float, float, float, float, float], ...]
    heavier: tuple[tuple[float, float, float, float, float], ...]
    uneven: float
    seed: int


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """Modes (n,), their shapes at the outer surface (nodes, n); `yields_m_n` (nodes,) is left out of them."""

    omega_rad_s: Array
    damping: Array
    shapes: NDArray[np.float32]
    yields_m_n: Array


@dataclass(frozen=True, eq=False)
class Lattice:
    """One part under the tapper."""

    surface: Surface
    wall: Wall
    damages: tuple[Damage, ...]

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Nodes along and across."""
        length, width = self.surface.length_mm, self.surface.width_mm
        step = max(5.0, float(np.sqrt(length * width / MOST_NODES)))
        return round(length / step), round(width / step)

    @cached_property
    def modes(self) -> Modes:
        return _modes(self)

    @cached_property
    def near(self) -> NDArray[np.float32]:
        """Mean shapes over what is heard about each node, (nodes, n)."""
        x_mm, s_mm = (values.ravel() for values in self.nodes_mm())
        apart = np.abs(s_mm[:, None] - s_mm)
        if self.surface.girth_mm is not None:
            apart = np.minimum(apart, self.surface.girth_at_mm(x_mm)[:, None] - apart)
        weight = np.exp(-((x_mm[:, None] - x_mm) ** 2 + apart**2) / 2 / HEARD_MM**2).astype(np.float32)
        return np.asarray(weight / weight.sum(axis=1, keepdims=True) @ self.modes.shapes)

    def nodes_mm(self) -> tuple[Array, Array]:
        """x and s of every node."""
        (nx, ns), surface = self.shape, self.surface
        x = (np.arange(nx) + 0.5) / nx * surface.length_mm
        low, high = surface.s_range_mm
        share = np.arange(ns) / ns if surface.girth_mm else (np.arange(ns) + 0.5) / ns
        x_mm, share = np.meshgrid(x, share, indexing="ij")
        wide = surface.girth_at_mm(x_mm) if surface.girth_mm else np.full(x_mm.shape, high - low)
        return x_mm, low + share * wide

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap, as every generator gives it."""
        blocks = [slice(k, k + CHUNK) for k in range(0, strikes.x_mm.size, CHUNK)]
        return np.concatenate([_sounds(self, strikes, block) for block in blocks])


def _second_difference(count: int, step_m: float, *, closed: bool) -> Array:
    found = -2 * np.eye(count) + np.eye(count, k=1) + np.eye(count, k=-1)
    if closed:
        found[0, -1] = found[-1, 0] = 1
    else:  # a free edge bends about nothing
        found[0], found[-1] = 0, 0
    return found / step_m**2


def _first_difference(count: int, step_m: float, *, closed: bool) -> Array:
    found = (np.eye(count, k=1) - np.eye(count, k=-1)) / 2
    if closed:
        found[0, -1], found[-1, 0] = -0.5, 0.5
    else:
        found[0, :2], found[-1, -2:] = (-1, 1), (-1, 1)
    return found / step_m


def _curvatures(part: Lattice) -> tuple[Array, Array, Array]:
    """Second differences along, across and mixed at every node, (nodes, nodes)."""
    (nx, ns), surface = part.shape, part.surface
    steps = surface.length_mm / nx / 1e3, surface.width_mm / ns / 1e3
    is_closed = surface.girth_mm is not None
    along, across = (f(nx, steps[0], closed=False) for f in (_second_difference, _first_difference))
    round_it, slope = (f(ns, steps[1], closed=is_closed) for f in (_second_difference, _first_difference))
    return np.kron(along, np.eye(ns)), np.kron(np.eye(nx), round_it), np.kron(across, slope)


def _bends(part: Lattice) -> list[Array]:
    """What bends the wall: a plate's energy is half its stiffness times the sum of their squares, an area.

    ν (∇²w)² + (1 - ν) (w_xx² + w_yy² + 2 w_xy²): the first alone lets harmonic shapes bend for nothing.
    """
    along, across, mixed = _curvatures(part)
    along, across = along * part.wall.skew**0.25, across / part.wall.skew**0.25
    free = np.sqrt(1 - POISSON)
    return [np.sqrt(POISSON) * (along + across), free * along, free * across, np.sqrt(2) * free * mixed]


def _places(part: Lattice, places: tuple[tuple[float, float, float, float, float], ...]) -> Array:
    """Product of the factors of the places that hold each node, (nodes,)."""
    x_mm, _ = part.nodes_mm()
    share = np.broadcast_to((np.arange(part.shape[1]) + 0.5) / part.shape[1], x_mm.shape)
    found = np.ones(x_mm.shape)
    for x0, x1, s0, s1, factor in places:
        found[(x_mm >= x0) & (x_mm <= x1) & (share >= s0) & (share <= s1)] *= factor
    return found.ravel()


def _bending(part: Lattice, thick_m: Array) -> Array:
    return part.wall.modulus_pa * thick_m**3 / 12 / (1 - POISSON**2)


@dataclass(frozen=True, slots=True, eq=False)
class _Fields:
    """The wall node by node, (nodes,): thickness, bending stiffness, mass, loss. Damage changes it."""

    x_mm: Array
    s_mm: Array
    thick_m: Array
    stiffness: Array
    mass_kg: Array
    loss: Array
    area_m2: float


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """A loose sheet: the nodes that it is above, its stiffness, mass and loss, and springs to the wall."""

    inside: NDArray[np.intp]
    stiffness: Array
    mass_kg: Array
    loss: float
    ties_n_m: Array


def _fields(part: Lattice, rng: np.random.Generator) -> _Fields:
    wall = part.wall
    area = part.surface.length_mm * part.surface.width_mm / 1e6 / float(np.prod(part.shape))
    x_mm, s_mm = (values.ravel() for values in part.nodes_mm())
    turns = x_mm / rng.uniform(60, 250) + s_mm / rng.uniform(40, 150) + rng.uniform(0, 2 * np.pi)
    thick = wall.thickness_m * (1 + wall.uneven * np.sin(turns))
    stiffness = _bending(part, thick) * _places(part, wall.stiffer)
    mass = wall.density_kg_m3 * thick * area * _places(part, wall.heavier)
    return _Fields(x_mm, s_mm, thick, stiffness, mass, np.zeros(x_mm.size), area)


def _loosened(part: Lattice, wall: _Fields, damage: Damage, rng: np.random.Generator) -> _Sheet | None:
    """Weaken the wall at a place of damage, and give the sheet that is loose above it, if there is one."""
    radius, turn = elliptic(part.surface, damage, wall.x_mm, wall.s_mm)
    inside = np.flatnonzero(radius < 1)
    if not inside.size:
        return None
    upper = np.minimum(damage.depth_mm / 1e3, 0.8 * wall.thick_m[inside])
    lower = wall.thick_m[inside] - upper
    sheet = _bending(part, upper)
    if damage.kind == "sliding":
        wall.stiffness[inside] = (sheet + _bending(part, lower)) * rng.uniform(1, 1.8)
        wall.loss[inside] = rng.uniform(0.02, 0.08)
        return None
    halves = 2 * _bending(part, lower / 2)
    wall.stiffness[inside] = halves if damage.kind == "stack" else _bending(part, lower)
    mass = part.wall.density_kg_m3 * upper * wall.area_m2
    wall.mass_kg[inside] -= mass
    ties = np.zeros(inside.size)
    if damage.kind == "bridged":
        side = np.cos(turn[inside] - rng.uniform(-np.pi, np.pi)) > rng.uniform(-0.3, 0.6)
        held = (side & (radius[inside] > 0.5)) | (rng.uniform(size=inside.size) < 0.1)
        size_m = float(np.sqrt(np.prod(damage.radii_mm))) / 1e3
        ties = held * sheet / size_m**2 * np.exp(rng.uniform(*np.log((2, 60))))
    return _Sheet(inside, sheet, mass, rng.uniform(*LOSS[damage.kind]), ties)


def _stiffness(part: Lattice, wall: _Fields, sheets: list[_Sheet]) -> Array:
    """Stiffness matrix of the wall's nodes, then the sheets', in N/m."""
    nodes, count = wall.x_mm.size, wall.x_mm.size + sum(sheet.inside.size for sheet in sheets)
    matrix = np.zeros((count, count))
    bends = _bends(part)
    for bend in bends:
        matrix[:nodes, :nodes] += (bend.T * (wall.stiffness * wall.area_m2)) @ bend
    first = nodes
    for sheet in sheets:
        own = np.arange(first, first + sheet.inside.size)
        for bend in bends:
            rows = np.zeros((own.size, count))
            rows[:, :nodes] = bend[sheet.inside]
            rows[:, own] = bend[np.ix_(sheet.inside, sheet.inside)]
            rows[:, sheet.inside] = 0
            matrix += (rows.T * (sheet.stiffness * wall.area_m2)) @ rows
        for one in (own, sheet.inside):
            for other in (own, sheet.inside):
                matrix[one, other] += sheet.ties_n_m if one is other else -sheet.ties_n_m
        first += sheet.inside.size
    if part.surface.girth_mm is not None:
        along, across, _ = _curvatures(part)
        radius_m = part.surface.girth_at_mm(wall.x_mm) / 2e3 / np.pi
        # Less 1/m²: without it the Laplacian has no inverse.
        curved = along @ np.linalg.inv(along + across - np.eye(nodes))
        membrane = part.wall.modulus_pa * wall.thick_m / radius_m**2 * wall.area_m2
        matrix[:nodes, :nodes] += (curved.T * membrane) @ curved
    return matrix


def _modes(part: Lattice) -> Modes:
    """Solve the lattice with its loose sheets; it is held softly by its first end."""
    rng = np.random.default_rng([part.wall.seed, 1])
    wall = _fields(part, rng)
    nodes = wall.x_mm.size
    sheets = [one for damage in part.damages if (one := _loosened(part, wall, damage, rng)) is not None]
    matrix = _stiffness(part, wall, sheets)
    matrix[np.arange(nodes), np.arange(nodes)] += rng.uniform(0.5, 4) * 1e3 * (wall.x_mm < 15) / part.shape[1]
    mass = np.concatenate([wall.mass_kg, *(sheet.mass_kg for sheet in sheets)])
    loss = np.concatenate([wall.loss, *(np.full(sheet.inside.size, sheet.loss) for sheet in sheets)])
    root = 1 / np.sqrt(mass)
    highest = (2 * np.pi * HIGHEST_HZ) ** 2
    values, vectors = eigh(matrix * root * root[:, None], subset_by_value=(-np.inf, highest))
    is_heard = values > (2 * np.pi * LOWEST_HZ) ** 2
    omega, shapes = np.sqrt(values[is_heard]), vectors[:, is_heard]
    damping = part.wall.damping * np.exp(rng.normal(0, 0.25, omega.size)) + 25 / omega
    damping += (shapes**2 * loss[:, None]).sum(axis=0)
    top, stiffness, first = np.arange(nodes), wall.stiffness.copy(), nodes
    for sheet in sheets:
        top[sheet.inside] = np.arange(first, first + sheet.inside.size)
        stiffness[sheet.inside] = sheet.stiffness
        first += sheet.inside.size
    mass_area = mass[top] / wall.area_m2
    yields = 1 / (4 * np.pi * np.sqrt(stiffness * mass_area) * 2 * np.pi * HIGHEST_HZ)
    return Modes(omega, damping, (shapes * root[:, None])[top].astype(np.float32), yields)


def _between(part: Lattice, x_mm: Array, s_mm: Array) -> tuple[NDArray[np.intp], Array]:
    """Four nodes round each place and their weights, (places, 4)."""
    (nx, ns), surface = part.shape, part.surface
    low, high = surface.s_range_mm
    wide = surface.girth_at_mm(x_mm) if surface.girth_mm else np.full(x_mm.shape, high - low)
    i = np.clip(x_mm / surface.length_mm * nx - 0.5, 0, nx - 1.001)
    j = (s_mm - low) / wide * ns
    j = j % ns if surface.girth_mm else np.clip(j - 0.5, 0, ns - 1.001)
    a, b = i.astype(int), j.astype(int)
    u, v = i - a, j - b
    right = (b + 1) % ns if surface.girth_mm else b + 1
    at = np.stack([a * ns + b, a * ns + right, (a + 1) * ns + b, (a + 1) * ns + right], axis=1)
    return at, np.stack([(1 - u) * (1 - v), (1 - u) * v, u * (1 - v), u * v], axis=1)


def _forces(part: Lattice, strikes: Strikes, block: slice, struck: NDArray[np.float32], soft: Array) -> Array:
    """Force of each tap, (taps, STEPS)."""
    modes = part.modes
    time = np.arange(1, STEPS + 1) * STEP_S
    ring = np.exp(-(modes.damping * modes.omega_rad_s)[:, None] * time) * np.sin(
        modes.omega_rad_s[:, None] * time
    )
    answer = (struck**2 @ (ring / modes.omega_rad_s[:, None]).astype(np.float32)) * np.float32(STEP_S)
    hard, mass = strikes.contact_n_m15[block], strikes.mass_kg[block]
    tapper, speed = np.zeros(len(struck)), strikes.speed_m_s[block].copy()
    force = np.zeros((len(struck), STEPS), dtype=np.float32)
    for n in range(STEPS):
        moved = np.einsum("tk,tk->t", force[:, :n], answer[:, :n][:, ::-1]) if n else 0.0
        closed = np.maximum(tapper - moved, 0)
        dent = closed
        for _ in range(5):
            dent = dent - (dent + soft * hard * dent**1.5 - closed) / (1 + 1.5 * soft * hard * np.sqrt(dent))
        force[:, n] = hard * np.maximum(dent, 0) ** 1.5
        speed -= force[:, n] / mass * STEP_S
        tapper += speed * STEP_S
    return force


def _sounds(part: Lattice, strikes: Strikes, block: slice) -> NDArray[np.float32]:
    """Acceleration heard of a block of taps."""
    modes, rng = part.modes, np.random.default_rng([part.wall.seed, 3])
    at, weight = _between(part, strikes.x_mm[block], strikes.s_mm[block])
    struck = np.einsum("pk,pkn->pn", weight.astype(np.float32), modes.shapes[at])
    soft = (modes.yields_m_n[at] * weight).sum(axis=1)
    force = _forces(part, strikes, block, struck, soft)
    usual = np.sqrt((modes.shapes**2).mean(axis=0))
    far = part.wall.far * usual * rng.normal(size=usual.size)
    near = np.einsum("pk,pkn->pn", weight.astype(np.float32), part.near[at])
    heard = (struck * (near + far)).astype(np.complex64)
    hertz = np.fft.rfftfreq(FFT, 1 / RATE_HZ)
    hertz = hertz[hertz < HIGHEST_HZ]
    omega = 2 * np.pi * hertz
    answer = -(omega**2) / (
        modes.omega_rad_s[:, None] ** 2 - omega**2 + 2j * (modes.damping * modes.omega_rad_s)[:, None] * omega
    )
    time = LEAD_S + np.arange(STEPS) * STEP_S
    blow = force.astype(np.complex64) @ np.exp(-1j * time[:, None] * omega).astype(np.complex64) * STEP_S
    spectrum = (heard @ answer.astype(np.complex64)) * blow * RATE_HZ
    sound = np.fft.irfft(spectrum, FFT)[:, : round(TAP_S * RATE_HZ)].astype(np.float32)
    fade = round(0.01 * RATE_HZ)
    sound[:, -fade:] *= np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    return sound


def draw(surface: Surface, damages: tuple[Damage, ...], thickness_mm: float, seed: int) -> Lattice:
    """A wall as one may meet it: sleeves at its ends, and perhaps a ply drop, an insert, a doubler."""
    rng = np.random.default_rng([seed, 8])
    length = surface.length_mm
    stiffer, heavier = [], []
    for end in (0, 1):
        if rng.uniform() < 0.75:
            reach, factor = rng.uniform(8, 40), np.exp(rng.uniform(np.log(1.3), np.log(8)))
            place = (-1.0, reach, 0.0, 1.0) if end == 0 else (length - reach, length + 1, 0.0, 1.0)
            stiffer.append((*place, factor))
            heavier.append((*place, 1 + 0.25 * (factor ** (1 / 3) - 1) * rng.uniform(1, 4)))
    if rng.uniform() < 0.35:  # plies end
        stiffer.append((rng.uniform(0.3, 0.7) * length, length + 1, 0.0, 1.0, rng.choice([0.5, 2.0])))
    if rng.uniform() < 0.35:  # an insert or a doubler
        x0, s0 = rng.uniform(0, 0.8) * length, rng.uniform(0, 0.6)
        place = (x0, x0 + rng.uniform(20, 60), s0, s0 + rng.uniform(0.2, 0.4))
        stiffer.append((*place, rng.uniform(2, 8)))
        heavier.append((*place, rng.uniform(1.1, 2.2)))
    wall = Wall(
        thickness_m=thickness_mm / 1e3,
        modulus_pa=rng.uniform(40e9, 80e9),
        density_kg_m3=rng.uniform(1480, 1620),
        skew=np.exp(rng.normal(0, 0.25)),
        damping=np.exp(rng.uniform(np.log(0.004), np.log(0.02))),
        far=rng.uniform(0.1, 0.6),
        stiffer=tuple(stiffer),
        heavier=tuple(heavier),
        uneven=rng.uniform(0, 0.05),
        seed=seed,
    )
    return Lattice(surface, wall, damages)
