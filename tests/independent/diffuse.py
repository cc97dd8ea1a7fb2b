"""Random waves and rays: a part with no modes that a formula knows, and damage as echoes from its rim.

A real part has lugs, bends and uneven walls, so that its modes are no sines. Each mode here is a sum of a few
waves of the wall's own length in random directions (Berry, J. Phys. A 10, 1977, 2083-2091, from memory);
frequencies keep a mean density but repel each other (Wigner's surmise, from memory). A loose sheet is not
solved for modes either: bending waves run out from the tapper, come back from the rim with what it returns,
and run on; every direction is a string between two ends. The tapper's force comes from mobilities in series,
and ends where the tapper leaves the wall.

Damage: open, bridged (the rim returns less), gritty (waves die on their way), stack (a second sheet beneath),
sliding (no echoes: the wall bends as its two halves, with friction).
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.independent.strikes import LEAD_S, RATE_HZ, Array, Damage, Strikes, faded
from tests.independent.surfaces import Surface, elliptic

__all__ = ["DIFFUSE_KINDS", "Diffuse", "draw"]

Complex = NDArray[np.complex128]
DIFFUSE_KINDS = ("open", "bridged", "gritty", "stack", "sliding")
HIGHEST_HZ = 22_000.0
FFT = 8192
WAVES = 5  # in each mode
DIRECTIONS = 12  # of the strings across a loose sheet
# Waves across less than this phase are no waves yet: there the sheet is a spring. A clamped disc's first note
# is at 6.39, which strings have at 2 π; at π they would have one that no sheet has.
SPRING, WAVE = 3.6, 5.0
POISSON = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """The wall of one part; `ends` (2, 2) the reach in mm and strength of what each end stiffens."""

    thickness_m: float
    modulus_pa: float
    density_kg_m3: float
    loss: float
    uneven: float  # standard deviation of the thickness, as a share
    ends: Array
    joint: float  # by how much a lap along the part thickens it
    joint_mm: float
    seed: int

    def bending_nm(self, thickness_m: Array | float) -> Array:
        """Bending stiffness of a sheet of this laminate."""
        return np.asarray(self.modulus_pa * np.asarray(thickness_m) ** 3 / 12 / (1 - POISSON**2))

    def mass_kg_m2(self, thickness_m: Array | float) -> Array:
        """Mass of a square metre of such a sheet."""
        return np.asarray(self.density_kg_m3 * np.asarray(thickness_m))


@dataclass(frozen=True, slots=True, eq=False)
class _Modes:
    """Arrays (modes,) or (modes, WAVES): each mode's frequency, loss, loudness and waves."""

    omega_rad_s: Array
    loss: Array
    loudness: Array
    kx_1_m: Array
    ks_1_m: Array
    phase_rad: Array
    mass_kg: float


@dataclass(frozen=True, slots=True, eq=False)
class Diffuse:
    """One part of this kind under the tapper."""

    surface: Surface
    wall: Wall
    damages: tuple[Damage, ...]
    modes: _Modes = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "modes", _modes(self.surface, self.wall))

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap, as every generator gives it."""
        blocks = [slice(k, k + 200) for k in range(0, strikes.x_mm.size, 200)]
        return np.concatenate([_sounds(self, strikes, block) for block in blocks])


def draw(surface: Surface, damages: tuple[Damage, ...], thickness_mm: float, seed: int) -> Diffuse:
    """Draw a part: tube, taper or panel."""
    rng = np.random.default_rng([seed, 8])
    wall = Wall(
        thickness_m=thickness_mm / 1e3,
        modulus_pa=rng.uniform(35e9, 75e9),
        density_kg_m3=rng.uniform(1480, 1620),
        loss=np.exp(rng.uniform(np.log(0.012), np.log(0.04))),
        uneven=rng.uniform(0.0, 0.05),
        ends=np.column_stack([rng.uniform(5, 25, 2), rng.choice([0, 0.3, 0.8], 2)]),
        joint=rng.choice([0.0, 0.1, 0.25]),
        joint_mm=rng.uniform(0, surface.width_mm),
        seed=seed,
    )
    return Diffuse(surface, wall, damages)


def _modes(surface: Surface, wall: Wall) -> _Modes:
    """Draw all modes up to HIGHEST_HZ."""
    rng = np.random.default_rng([wall.seed, 1])
    area = surface.length_mm * surface.width_mm / 1e6
    bending, mass = float(wall.bending_nm(wall.thickness_m)), float(wall.mass_kg_m2(wall.thickness_m))
    most = int(area / 4 / np.pi * 2 * np.pi * HIGHEST_HZ * np.sqrt(mass / bending)) + 1
    apart = np.sqrt(-4 / np.pi * np.log(rng.uniform(size=most)))  # Wigner's surmise, mean 1
    k = np.sqrt(4 * np.pi / area * np.cumsum(apart))
    turn = rng.uniform(0, np.pi / 2, most)[:, None] + 0.25 * rng.standard_normal((most, WAVES))
    kx, ks = k[:, None] * np.cos(turn), k[:, None] * np.sin(turn) * rng.choice([-1, 1], (most, WAVES))
    if surface.girth_mm is not None:  # whole waves round
        round_1_m = 2 * np.pi / (surface.width_mm / 1e3)
        ks = np.round(ks / round_1_m) * round_1_m
        kx = np.sqrt(np.maximum(k[:, None] ** 2 - ks**2, 0))
    square = bending / mass * k**4
    if surface.girth_mm is not None:  # stretching round the girth holds waves that run along
        radius = surface.width_mm / 2e3 / np.pi
        along = np.mean((kx / np.maximum(np.hypot(kx, ks), 1e-9)) ** 4, axis=1)
        square = square + wall.modulus_pa / wall.density_kg_m3 / radius**2 * along
    omega = np.sqrt(square)
    keep = (omega < 2 * np.pi * HIGHEST_HZ) & (omega > 2 * np.pi * 150)
    count = int(keep.sum())
    return _Modes(
        omega_rad_s=omega[keep],
        loss=wall.loss * np.exp(0.3 * rng.standard_normal(count)),
        loudness=rng.uniform(0.4, 1.2, count) * rng.choice([-1, 1], count),
        kx_1_m=kx[keep],
        ks_1_m=ks[keep],
        phase_rad=rng.uniform(0, 2 * np.pi, (count, WAVES)),
        mass_kg=area * mass,
    )


def _thickness(part: Diffuse, x_mm: Array, s_mm: Array) -> Array:
    """Wall's thickness at places over the usual one: slow waves, stiffened ends, a lap."""
    wall, surface = part.wall, part.surface
    rng = np.random.default_rng([wall.seed, 2])
    share = np.ones_like(x_mm)
    turn = 2 * np.pi * s_mm / surface.width_mm
    for _ in range(4):
        along, across = rng.uniform(0.5, 3), rng.integers(0, 3)
        phase = rng.uniform(0, 2 * np.pi, 2)
        wave = np.cos(np.pi * along * x_mm / surface.length_mm + phase[0]) * np.cos(across * turn + phase[1])
        share += wall.uneven * wave
    for away, (reach, strength) in zip((x_mm, surface.length_mm - x_mm), wall.ends, strict=True):
        share += strength / (1 + np.exp((away - reach) / 2.5))
    if surface.girth_mm is not None:
        off = (s_mm - wall.joint_mm + surface.width_mm / 2) % surface.width_mm - surface.width_mm / 2
        share += wall.joint * (np.abs(off) < 8)
    return share


def _shapes(part: Diffuse, x_mm: Array, s_mm: Array) -> Array:
    """How far each mode moves at places, (places, modes): mean square 1, more at a free edge."""
    modes = part.modes
    girth = part.surface.girth_at_mm(x_mm)
    s_mm = s_mm if part.surface.girth_mm is None else s_mm * part.surface.width_mm / girth
    moved = np.zeros((x_mm.size, modes.omega_rad_s.size))
    for wave in range(WAVES):
        phase = np.multiply.outer(x_mm / 1e3, modes.kx_1_m[:, wave])
        phase += np.multiply.outer(s_mm / 1e3, modes.ks_1_m[:, wave])
        moved += np.cos(phase + modes.phase_rad[:, wave])
    moved *= np.sqrt(2 / WAVES)
    k = np.sqrt(np.mean(modes.kx_1_m**2 + modes.ks_1_m**2, axis=1))
    for away in (x_mm, part.surface.length_mm - x_mm):
        moved *= 1 + 0.5 * np.exp(-np.multiply.outer(np.maximum(away, 0) / 1e3, k))
    return moved


def _sheet(
    part: Diffuse, damage: Damage, depth_m: float, place: tuple[Array, Array], omega: Array
) -> Complex:
    """Mobility of a loose sheet under the tapper, (places, frequencies), by strings between its rims."""
    wall = part.wall
    bending, mass = float(wall.bending_nm(depth_m)), float(wall.mass_kg_m2(depth_m))
    returned, loss = {"bridged": (0.55, 2.0), "gritty": (0.8, 8.0)}.get(damage.kind, (0.93, 1.5))
    back = -1j * returned * 1j  # a clamped rim, and a quarter of a wave that meeting again in a focus gains
    k = (mass * omega**2 / bending) ** 0.25 * (1 - 0.25j * loss * wall.loss)
    radius, angle = place
    x, s = (radius * f(angle) for f in (np.cos, np.sin))  # in parts of the radii
    total = np.zeros((radius.size, omega.size), dtype=complex)
    first, second = (r / 1e3 for r in damage.radii_mm)
    spring_m_n = first * second * (1 - np.minimum(radius, 0.98) ** 2) ** 2 / 16 / np.pi / bending
    endless = 1 / (8 * np.sqrt(bending * mass))
    for turn in np.arange(DIRECTIONS) * np.pi / DIRECTIONS:
        # From (x, s) in direction (cos / first, sin / second) to the unit circle, and the other way.
        u, v = np.cos(turn) / first, np.sin(turn) / second
        a, b, c = u * u + v * v, x * u + s * v, x * x + s * s - 1
        root = np.sqrt(np.maximum(b * b - a * c, 0))
        one, other = np.maximum(-b + root, 1e-5) / a, np.maximum(b + root, 1e-5) / a
        gone, came = (back * np.exp(-2j * np.multiply.outer(way, k)) for way in (one, other))
        string = endless * (1 + gone) * (1 + came) / (1 - gone * came)
        phase = np.multiply.outer(one + other, k.real)
        wave = np.clip((phase - SPRING) / (WAVE - SPRING), 0, 1)
        total += wave * string + (1 - wave) * 1j * omega * spring_m_n[:, None]
    return total / DIRECTIONS


def _yielding(part: Diffuse, x_mm: Array, s_mm: Array, omega: Array) -> tuple[Complex, Array, Array]:
    """What damage adds: mobility (places, frequencies), softness and friction of the wall (places,)."""
    added = np.zeros((x_mm.size, omega.size), dtype=complex)
    soft, friction = np.ones(x_mm.size), np.zeros(x_mm.size)
    for damage in part.damages:
        radius, angle = elliptic(part.surface, damage, x_mm, s_mm)
        inside = np.flatnonzero(radius < 1)
        if inside.size == 0:
            continue
        depth = damage.depth_mm / 1e3
        if damage.kind == "sliding":
            share = min(depth / part.wall.thickness_m, 0.9)
            soft[inside] *= (share**3 + (1 - share) ** 3) ** (-0.5 * (1 - radius[inside] ** 2))
            friction[inside] = 0.35
            continue
        here = radius[inside], angle[inside]
        sheet = _sheet(part, damage, depth, here, omega)
        if damage.kind == "stack":
            sheet += _sheet(part, damage, min(1.6 * depth, 0.8 * part.wall.thickness_m), here, omega)
        added[inside] += sheet
    return added, soft, friction


def _sounds(part: Diffuse, strikes: Strikes, block: slice) -> NDArray[np.float32]:
    x_mm, s_mm, speed, mass = (
        v[block] for v in (strikes.x_mm, strikes.s_mm, strikes.speed_m_s, strikes.mass_kg)
    )
    modes, wall = part.modes, part.wall
    omega = 2 * np.pi * np.fft.rfftfreq(FFT, 1 / RATE_HZ)[1:]
    hears = 1 / (1 + (omega / 2 / np.pi / HIGHEST_HZ) ** 16)
    thick = _thickness(part, x_mm, s_mm)
    added, soft, friction = _yielding(part, x_mm, s_mm, omega)
    shape = _shapes(part, x_mm, s_mm) * (soft / thick**1.5)[:, None]
    ring = _ringing(modes, omega)
    # What modes above the highest one add is a spring: that of an endless plate's part within a wave.
    endless = 1 / (8 * np.sqrt(wall.bending_nm(wall.thickness_m) * wall.mass_kg_m2(wall.thickness_m)))
    local = 0.3j * endless * omega / (2 * np.pi * HIGHEST_HZ) * (soft / thick**2)[:, None]
    base = shape**2 @ ring / modes.mass_kg + local + friction[:, None] * endless * soft[:, None]
    lasts_s = 2.943 * (1.25 * mass / strikes.contact_n_m15[block]) ** 0.4 * speed**-0.2
    contact = mass * (np.pi / lasts_s) ** 2
    mobility = 1 / (1j * omega * mass[:, None]) + 1j * omega / contact[:, None] + base + added
    force = speed[:, None] / (1j * omega) / mobility
    force = _until_it_leaves(force)
    # Modes radiate far and near the tap; the loose sheet is a small drum.
    radiates = np.sqrt(omega / (omega + 2 * np.pi * 4000))
    far = (shape * (modes.loudness * (0.7 + 0.3 * np.abs(shape)))) @ ring / modes.mass_kg
    near = 0.25 * base + 0.1 * added
    loud = 1 - 0.6 * friction[:, None]
    sound = 1j * omega * force * (far * radiates * loud + near) * hears
    sound = np.fft.irfft(np.hstack([np.zeros((x_mm.size, 1)), sound * np.exp(-1j * omega * LEAD_S)]))
    return faded(sound)


def _ringing(modes: _Modes, omega: Array) -> Complex:
    """Velocity of each mode's crest under a unit force there, times the mass, (modes, frequencies)."""
    own, loss = modes.omega_rad_s[:, None], modes.loss[:, None]
    return np.asarray(1j * omega / (own**2 - omega**2 + 1j * loss * own * omega))


def _until_it_leaves(force: Complex) -> Complex:
    """Cut a force spectrum (taps, frequencies) in time where it first turns to pulling."""
    # A millisecond of lead keeps what the band's end smears before the strike.
    lead = round(1e-3 * RATE_HZ)
    step = np.exp(-2j * np.pi * np.arange(1, FFT // 2 + 1) * lead / FFT)
    at_zero = np.zeros((len(force), 1))
    pushes = np.fft.irfft(np.hstack([at_zero, force * step]))
    pushes -= pushes[:, : lead // 2].mean(axis=1, keepdims=True)
    crest = pushes[:, : 4 * lead].argmax(axis=1)
    later = np.arange(FFT) > crest[:, None]
    gone = np.cumsum(later & (pushes <= 0), axis=1) > 0
    early = np.arange(FFT) < crest[:, None]
    came = np.cumsum((early & (pushes <= 0))[:, ::-1], axis=1)[:, ::-1] > 0
    return np.asarray(np.fft.rfft(np.where(gone | came, 0, pushes))[:, 1:] / step)
